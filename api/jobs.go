package api

import (
	"context"
	"net/http"
	"strings"

	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"
	"github.com/labstack/echo/v4"

	"slabledger/inventory"
	"slabledger/lca/fault"
	"slabledger/service"
)

func (s *Server) routeJobs() {
	const job = "/v1/jobs/:job"
	s.route(http.MethodGet, "/v1/jobs", "listJobs", s.json("listJobs", s.listJobs))
	s.route(http.MethodPost, "/v1/jobs", "createJob", s.json("createJob", s.createJob))
	s.route(http.MethodGet, job, "getJob", s.json("getJob", s.getJob))
	s.route(http.MethodDelete, job, "cancelJob", s.json("cancelJob", s.cancelJob))
	s.route(http.MethodGet, job+"/result", "jobResult", s.json("jobResult", s.jobResult))
}

type jobView struct {
	ID         string             `json:"id"`
	Operation  string             `json:"operation"`
	Inventory  string             `json:"inventory"`
	CreatedBy  string             `json:"created_by"`
	State      inventory.JobState `json:"state"`
	Progress   progressView       `json:"progress"`
	Attempts   int                `json:"attempts"`
	QueuedAt   string             `json:"queued_at"`
	StartedAt  *string            `json:"started_at"`
	EndedAt    *string            `json:"ended_at"`
	ResultHash *string            `json:"result_hash"`
	Problem    *problem           `json:"problem"`
}

type progressView struct {
	Done  int64 `json:"done"`
	Total int64 `json:"total"`
}

func viewJob(j inventory.Job) jobView {
	v := jobView{ID: j.ID, Operation: j.Operation, Inventory: j.Inventory, CreatedBy: j.Actor, State: j.State, Progress: progressView{j.Done, j.Total},
		Attempts: j.Attempts, QueuedAt: j.QueuedAt, StartedAt: textOrNull(j.StartedAt), EndedAt: textOrNull(j.EndedAt), ResultHash: textOrNull(j.ResultHash)}
	if failed := service.JobError(j); failed != nil {
		p, _, _ := describe(failed, "")
		p.Instance = service.JobLocation(j.ID)
		v.Problem = &p
	}
	return v
}

// textOrNull is a text that is null where it is empty.
func textOrNull(text string) *string {
	if text == "" {
		return nil
	}
	return &text
}

// createJob checks a request as the operation itself would, and queues it.
func (s *Server) createJob(c echo.Context) error {
	body, refused, err := s.readBody(c, "createJob")
	if err != nil {
		return err
	}
	var asked struct {
		Operation string         `json:"operation"`
		Request   jsontext.Value `json:"request"`
	}
	if err := json.Unmarshal(body, &asked); err != nil || asked.Operation == "" || asked.Request.Kind() != '{' {
		return invalid(refused) // the contract has refused one of the two
	}
	inside, outside := split(refused, "/request")
	if len(outside) > 0 {
		return invalid(refused)
	}
	return s.once(c, http.StatusAccepted, body, func(retry *inventory.Retry) (string, any, error) {
		j, err := checkedJob(s, c.Request().Context(), retry, asked.Operation, asked.Request, inside)
		return service.JobLocation(j.ID), nil, err
	})
}

// checkedJob creates a job when there is room for the checks, which compute a little.
func checkedJob(s *Server, ctx context.Context, retry *inventory.Retry, operation string, request []byte, refused []fault.Fault) (j inventory.Job, err error) {
	_, err = s.computed(ctx, "createJob", func(ctx context.Context) ([]byte, error) {
		j, err = s.service.CreateJob(ctx, retry, operation, request, refused...)
		return nil, err
	})
	return j, err
}

// split parts faults in those below a member, by pointers from there on, and others.
func split(faults []fault.Fault, at fault.Path) (inside, outside []fault.Fault) {
	for _, f := range faults {
		rest, below := strings.CutPrefix(string(f.Pointer), string(at))
		if !below || rest != "" && rest[0] != '/' {
			outside = append(outside, f)
			continue
		}
		f.Pointer = fault.Path(rest)
		inside = append(inside, f)
	}
	return inside, outside
}

func (s *Server) listJobs(c echo.Context) error {
	at, err := readPage(c)
	if err != nil {
		return err
	}
	filter := inventory.JobFilter{State: inventory.JobState(c.QueryParam("state"))}
	if at.after != "" {
		var ok bool
		if filter.QueuedAt, filter.ID, ok = strings.Cut(at.after, "/"); !ok {
			return errCursor
		}
	}
	found, err := s.service.Jobs(c.Request().Context(), filter, at.limit+1)
	if err != nil {
		return err
	}
	found, links := cut(c, at, found, func(j inventory.Job) string { return j.QueuedAt + "/" + j.ID })
	list := struct {
		Jobs  []jobView `json:"jobs"`
		Links pageLinks `json:"links"`
	}{[]jobView{}, links}
	for _, j := range found {
		list.Jobs = append(list.Jobs, viewJob(j))
	}
	return send(c, list)
}

func (s *Server) getJob(c echo.Context) error {
	j, err := s.service.Job(c.Request().Context(), c.Param("job"))
	if err != nil {
		return err
	}
	return send(c, viewJob(j))
}

func (s *Server) cancelJob(c echo.Context) error {
	if err := s.service.CancelJob(c.Request().Context(), c.Param("job")); err != nil {
		return err
	}
	return s.getJob(c)
}

// jobResult sends what the operation would have answered, byte for byte.
func (s *Server) jobResult(c echo.Context) error {
	j, result, err := s.service.JobResult(c.Request().Context(), c.Param("job"))
	if err != nil {
		return err
	}
	if err := s.tellWithdrawn(c, j.Inventory); err != nil {
		return err
	}
	c.Response().Header().Set("Cache-Control", "private, max-age=31536000, immutable")
	return sendTagged(c, mediaJSON, `"`+j.ResultHash+`"`, result)
}
