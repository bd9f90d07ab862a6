package pages

import (
	"context"
	"net/http"
	"slices"
	"strings"

	"github.com/go-json-experiment/json/jsontext"
	"github.com/labstack/echo/v4"

	"slabledger/inventory"
	"slabledger/lca/fault"
	"slabledger/service"
	"slabledger/service/report"
)

// Runs lists long work, the newest first.
func (p *Pages) Runs(c echo.Context) error {
	filter := inventory.JobFilter{State: inventory.JobState(c.QueryParam("state"))}
	states := []inventory.JobState{inventory.JobQueued, inventory.JobRunning, inventory.JobDone, inventory.JobFailed, inventory.JobCancelled}
	if filter.State != "" && !slices.Contains(states, filter.State) {
		return &service.Error{Code: service.NotFound, Detail: "A run is in no such state."}
	}
	filter.QueuedAt, filter.ID, _ = strings.Cut(report.Printable(c.QueryParam("after")), "/")
	found, err := p.desk.Service.Jobs(c.Request().Context(), filter, perPage+1)
	if err != nil {
		return err
	}
	view := struct {
		Runs   []shownRun
		States []inventory.JobState
		State  inventory.JobState
		Next   string
	}{States: states, State: filter.State}
	if len(found) > perPage {
		found = found[:perPage]
		last := found[perPage-1]
		if view.Next, err = with(c.Request().URL.RequestURI(), "after", last.QueuedAt+"/"+last.ID); err != nil {
			return err
		}
	}
	for _, j := range found {
		view.Runs = append(view.Runs, showRun(j))
	}
	return p.Render(c, http.StatusOK, "runs", "Runs", view)
}

// shownRun is a job as people read it.
type shownRun struct {
	inventory.Job
	Title   string // of its operation
	Percent int    // of its steps
}

func showRun(j inventory.Job) shownRun {
	r := shownRun{Job: j, Title: j.Operation}
	if kind := kindOfRun(j.Operation); kind != nil {
		r.Title = kind.Title
	}
	if j.Total > 0 {
		r.Percent = int(100 * min(j.Done, j.Total) / j.Total)
	}
	return r
}

// Run shows how far a run is, why it failed, or what came of it. While it has not ended
// the page loads itself again, unless the address asks it not to.
func (p *Pages) Run(c echo.Context) error {
	ctx := c.Request().Context()
	j, err := p.desk.Service.Job(ctx, c.Param("job"))
	if err != nil {
		return err
	}
	view := struct {
		shownRun
		Ended, Still bool
		Problem      *Problem
		Result       *figures
		Bytes        int
		Asked        *figureTable
		Request      string // as JSON; empty where it is too large to be read on a page
	}{shownRun: showRun(j), Ended: j.State.Ended(), Still: c.QueryParam("still") == "true"}
	request, err := p.desk.Service.JobRequest(ctx, j.ID)
	if err != nil {
		return err
	}
	view.Asked = askedOf(j.Operation, request, ShownOf(c))
	if text := jsontext.Value(request); len(text) <= largeRequest {
		if err := text.Indent(jsontext.WithIndent("  ")); err != nil {
			return err
		}
		view.Request = string(text)
	}
	if failed := service.JobError(j); failed != nil {
		told := p.desk.Tell(failed)
		view.Problem = &told
	}
	if j.State == inventory.JobDone {
		_, result, err := p.desk.Service.JobResult(ctx, j.ID)
		if err != nil {
			return err
		}
		view.Bytes = len(result)
		if view.Result, err = figuresOf(ShownOf(c), j.Operation, result); err != nil {
			return err
		}
	}
	return p.Render(c, http.StatusOK, "run", view.Title+", "+string(j.State), view)
}

// CancelRun ends a run that has not ended.
func (p *Pages) CancelRun(c echo.Context) error {
	if err := p.desk.Service.CancelJob(c.Request().Context(), c.Param("job")); err != nil {
		return err
	}
	return c.Redirect(http.StatusSeeOther, "/runs/"+c.Param("job"))
}

// newRun is the form that starts a run.
type newRun struct {
	Choices []runChoice
	Kind    *runKind // nil: it is to be chosen first
	About   string   // the comparison that the example is of
	Text    string
	Asked   *figureTable // what the text asks; nil where it cannot be read
	Lacking string       // why there is no example
	Once    string
	Other   string // where another operation is chosen
	Problem *Problem
}

type runChoice struct {
	runKind
	Address string
}

// NewRun shows the choice of what can be run, or the form of one with an example that
// works for the comparison that the address names.
func (p *Pages) NewRun(c echo.Context) error {
	address := c.Request().URL.RequestURI()
	other, err := with(address, "operation", "")
	if err != nil {
		return err
	}
	view := newRun{Once: newName(), Other: other}
	for _, kind := range runKinds {
		choice := runChoice{runKind: kind}
		if choice.Address, err = with(address, "operation", kind.Name); err != nil {
			return err
		}
		view.Choices = append(view.Choices, choice)
	}
	if name := c.QueryParam("operation"); name != "" {
		if view.Kind = kindOfRun(name); view.Kind == nil {
			return &service.Error{Code: service.NotFound, Detail: "There is no such operation."}
		}
	}
	var q question
	switch id := c.QueryParam("study"); {
	case id != "":
		var study inventory.Study
		study, q.Request, err = p.studyOf(c.Request().Context(), id)
		q.Name = study.Name
	case c.QueryParam("request") != "" || c.QueryParam("of") != "":
		q, err = p.asked(c)
	case p.hasDemo(c):
		q = question{Name: "the demo", Request: p.desk.Demo}
	}
	if err != nil {
		return err
	}
	view.About = q.Name
	if view.Kind != nil && q.Request != nil {
		example, err := view.Kind.example(p, c, q.Request)
		if err != nil {
			view.Lacking = err.Error()
		}
		view.Text, view.Asked = example, askedOf(view.Kind.Name, []byte(example), ShownOf(c))
	}
	title := "Start a run"
	if view.Kind != nil {
		title = view.Kind.Title
	}
	return p.Render(c, http.StatusOK, "newrun", title, view)
}

// CreateRun checks a request as its operation would, and queues it.
func (p *Pages) CreateRun(c echo.Context) error {
	f, err := formOf(c, maxFormBytes)
	if err != nil {
		return err
	}
	view := newRun{Kind: kindOfRun(f.Get("operation")), Text: f.Get("request"), Once: f.Get("once"), Other: "/runs/new"}
	if view.Kind == nil {
		return &service.Error{Code: service.NotFound, Detail: "There is no such operation."}
	}
	err = p.queued(c, f, *view.Kind)
	if err == nil {
		return nil
	}
	problem := p.desk.Explain(c, err)
	for i := range problem.Faults {
		problem.Faults[i].Pointer = strings.TrimPrefix(problem.Faults[i].Pointer, "/request")
	}
	view.Problem, view.Asked = &problem, askedOf(view.Kind.Name, []byte(view.Text), ShownOf(c))
	return p.Render(c, problem.Status, "newrun", "Not started: "+view.Kind.Title, view)
}

// queued queues what a form asks for, and goes to the page of the run.
func (p *Pages) queued(c echo.Context, f sent, kind runKind) error {
	text := []byte(f.Get("request"))
	if len(text) > maxRead {
		return &service.Error{Code: service.Invalid, Detail: "The request is too large.", Faults: []fault.Fault{{Code: "too-long", Detail: "at most 1 MiB"}}}
	}
	accepted, refused, err := p.desk.Check(kind.operationID, text)
	if err != nil {
		return err
	}
	return p.once(c, f, func(retry *inventory.Retry) (location string, err error) {
		err = p.desk.Compute(c.Request().Context(), "createJob", func(ctx context.Context) error {
			j, err := p.desk.Service.CreateJob(ctx, retry, kind.Name, accepted, refused...)
			location = service.JobLocation(j.ID)
			return err
		})
		return location, err
	})
}
