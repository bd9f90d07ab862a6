package pages

import (
	"context"
	"errors"
	"net/http"
	"strings"

	"github.com/go-json-experiment/json"
	"github.com/labstack/echo/v4"

	"slabledger/inventory"
	"slabledger/lca/fault"
	"slabledger/service"
	"slabledger/service/report"
)

// saveView is the form that asks for the name of a study.
type saveView struct {
	Request, Once     string
	Name, Tags        string
	NameFaults        []Fault
	TagFaults         []Fault
	Problem           *Problem
	Others            []Fault
	TooLong           bool
	AlternativesCount int
}

// askName shows the form that saves a comparison as a study. It is also where a
// comparison goes that is too long for an address.
func (p *Pages) askName(c echo.Context, request []byte, v *saveView) error {
	if v == nil {
		v = &saveView{Once: newName()}
	}
	_, err := writeRequest(request)
	v.TooLong = errors.Is(err, errLong)
	if v.Request, err = packed(request); err != nil {
		return err
	}
	status := http.StatusOK
	if v.Problem != nil {
		status = v.Problem.Status
	}
	return p.Render(c, status, "save", "Save a comparison", v)
}

// SaveComparison saves a comparison as a study and goes on to it. A form that is sent
// twice saves once.
func (p *Pages) SaveComparison(c echo.Context) error {
	typed, err := formOf(c, maxForm)
	if err != nil {
		return err
	}
	request, err := readRequest(typed.Get("request"))
	if err != nil {
		return err
	}
	v := &saveView{Once: typed.Get("once"), Name: oneLine(typed.Get("name")), Tags: oneLine(typed.Get("tags"))}
	asked := service.NewStudy{Name: v.Name, Tags: splitTags(v.Tags), Request: request}
	location, err := p.saved(c, asked, v.Once)
	if err != nil {
		problem := p.desk.Explain(c, err)
		if problem.Code == "idempotency-key-reused" {
			problem.Title, problem.Detail = "This form has saved another comparison already", "Send the form again to save this one as a study of its own."
			v.Once = newName()
		}
		v.Problem = &problem
		for _, found := range problem.Faults {
			switch {
			case found.Pointer == "/name":
				v.NameFaults = append(v.NameFaults, found)
			case strings.HasPrefix(found.Pointer, "/tags"):
				v.TagFaults = append(v.TagFaults, found)
			default:
				v.Others = append(v.Others, found)
			}
		}
		return p.askName(c, request, v)
	}
	return c.Redirect(http.StatusSeeOther, location)
}

// saved is the address of the page of the study that was made; of one request it is made
// once.
func (p *Pages) saved(c echo.Context, asked service.NewStudy, once string) (string, error) {
	ctx := c.Request().Context()
	body, err := json.Marshal(asked)
	if err != nil {
		return "", &service.Error{Code: service.Malformed, Detail: "The comparison in the form is not JSON that can be read.", Cause: err}
	}
	_, refused, err := p.desk.Check("createStudy", body)
	if err != nil {
		return "", err
	}
	var inside, outside []fault.Fault // of the request, by pointers into it, and of the rest
	for _, found := range refused {
		if pointer, within := strings.CutPrefix(string(found.Pointer), "/request"); within {
			found.Pointer = fault.Path(pointer)
			inside = append(inside, found)
		} else {
			outside = append(outside, found)
		}
	}
	accepted, _, err := p.desk.Check("compare", asked.Request)
	if err != nil {
		return "", err
	}
	asked.Request = accepted
	if len(outside) > 0 {
		return "", p.desk.Compute(ctx, "createStudy", func(ctx context.Context) error {
			return p.desk.Service.CheckStudy(ctx, asked, outside, inside)
		})
	}
	if once == "" || len(once) > maxID || report.Printable(once) != once {
		return "", &service.Error{Code: service.Malformed, Detail: "The form lacks what tells it from others; open its page again."}
	}
	location, err := p.desk.Once(c, once, body, func(retry *inventory.Retry) (string, error) {
		var study inventory.Study
		err := p.desk.Compute(ctx, "createStudy", func(ctx context.Context) (err error) {
			study, err = p.desk.Service.CreateStudy(ctx, retry, asked, inside...)
			return err
		})
		return service.StudyLocation(study.ID), err
	})
	return strings.TrimPrefix(location, "/v1"), err
}
