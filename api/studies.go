package api

import (
	"context"
	"net/http"
	"strings"

	"github.com/go-json-experiment/json"
	"github.com/labstack/echo/v4"

	"slabledger/inventory"
	"slabledger/service"
)

func (s *Server) routeStudies() {
	const study = "/v1/studies/:study"
	s.route(http.MethodGet, "/v1/studies", "listStudies", s.json("listStudies", s.listStudies))
	s.route(http.MethodPost, "/v1/studies", "createStudy", s.json("createStudy", s.createStudy))
	s.route(http.MethodGet, study, "getStudy", s.json("getStudy", s.getStudy))
	s.route(http.MethodPatch, study, "describeStudy", s.json("describeStudy", s.describeStudy))
	s.route(http.MethodDelete, study, "deleteStudy", s.json("deleteStudy", s.deleteStudy))
	s.route(http.MethodGet, study+"/result", "studyResult", s.inForms("studyResult", comparisonMedia(), s.studyResult))
	s.route(http.MethodGet, study+"/citation", "citeStudy", s.inForms("citeStudy", []string{mediaBibTeX, mediaCSL}, s.citeStudy))
	s.route(http.MethodPost, study+"/rerun", "rerunStudy", s.json("rerunStudy", s.rerunStudy))
}

type studyView struct {
	ID            string            `json:"id"`
	Name          string            `json:"name"`
	Tags          []string          `json:"tags"`
	Inventory     string            `json:"inventory"`
	Region        string            `json:"region"`
	Currency      string            `json:"currency"`
	EngineVersion string            `json:"engine_version"`
	RequestHash   string            `json:"request_hash"`
	ResultHash    string            `json:"result_hash"`
	Revision      int               `json:"revision"`
	CreatedBy     string            `json:"created_by"`
	CreatedAt     string            `json:"created_at"`
	UpdatedAt     string            `json:"updated_at"`
	Alternatives  []alternativeView `json:"alternatives"`
	Items         []string          `json:"items,omitempty"`
}

type alternativeView struct {
	Name        string         `json:"name"`
	ThicknessMM service.Plain  `json:"thickness_mm"`
	Initial     *service.Fixed `json:"initial_per_m2"`
	NPV         *service.Fixed `json:"net_present_value_per_m2"`
	CradleGate  service.Fixed  `json:"cradle_to_gate_kg_co2e_per_m2"`
	TotalCarbon service.Fixed  `json:"total_kg_co2e_per_m2"`
}

func viewStudy(study inventory.Study) studyView {
	v := studyView{study.ID, study.Name, study.Tags, study.Inventory.String(), study.Region, study.Currency, study.EngineVersion, study.RequestHash, study.ResultHash,
		study.Revision, study.CreatedBy, study.CreatedAt, study.UpdatedAt, []alternativeView{}, study.Items}
	for _, a := range study.Alternatives {
		row := alternativeView{Name: a.Name, ThicknessMM: service.Plain{Decimal: a.ThicknessMM}, CradleGate: service.Fixed{Decimal: a.CradleGate}, TotalCarbon: service.Fixed{Decimal: a.TotalCarbon}}
		if a.NPV.Valid {
			row.Initial, row.NPV = &service.Fixed{Decimal: a.Initial.Decimal}, &service.Fixed{Decimal: a.NPV.Decimal}
		}
		v.Alternatives = append(v.Alternatives, row)
	}
	return v
}

// createStudy computes a comparison and saves it.
func (s *Server) createStudy(c echo.Context) error {
	body, refused, err := s.readBody(c, "createStudy")
	if err != nil {
		return err
	}
	var asked service.NewStudy
	if err := json.Unmarshal(body, &asked); err != nil {
		return invalid(refused) // the contract has refused what cannot be read
	}
	inside, outside := split(refused, "/request")
	if len(outside) > 0 {
		_, err := s.computed(c.Request().Context(), "createStudy", func(ctx context.Context) ([]byte, error) {
			return nil, s.service.CheckStudy(ctx, asked, outside, inside)
		})
		return err
	}
	return s.once(c, http.StatusCreated, body, func(retry *inventory.Retry) (string, any, error) {
		var study inventory.Study
		_, err := s.computed(c.Request().Context(), "createStudy", func(ctx context.Context) ([]byte, error) {
			var err error
			study, err = s.service.CreateStudy(ctx, retry, asked, inside...)
			return nil, err
		})
		return service.StudyLocation(study.ID), nil, err
	})
}

func (s *Server) listStudies(c echo.Context) error {
	at, err := readPage(c)
	if err != nil {
		return err
	}
	q := service.StudyQuery{Inventory: c.QueryParam("inventory"), ThicknessMin: c.QueryParam("thickness_min"), ThicknessMax: c.QueryParam("thickness_max"),
		CarbonMin: c.QueryParam("carbon_min"), CarbonMax: c.QueryParam("carbon_max"), CostMin: c.QueryParam("cost_min"), CostMax: c.QueryParam("cost_max"),
		StudyFilter: inventory.StudyFilter{Region: c.QueryParam("region"), Item: c.QueryParam("item"), Tag: c.QueryParam("tag"), Currency: c.QueryParam("currency"),
			Text: c.QueryParam("text"), Sort: inventory.StudySort(c.QueryParam("sort")), Descending: c.QueryParam("order") == "descending"}}
	if q.Sort == "" { // the newest first
		q.Sort, q.Descending = inventory.SortCreated, c.QueryParam("order") != "ascending"
	}
	if at.after != "" {
		var ok bool
		if q.AfterID, q.AfterKey, ok = strings.Cut(at.after, "/"); !ok {
			return errCursor
		}
	}
	found, err := s.service.Studies(c.Request().Context(), q, at.limit+1)
	if err != nil {
		return err
	}
	found, links := cut(c, at, found, func(study inventory.Study) string { return study.ID + "/" + study.Key(q.Sort) })
	list := struct {
		Studies []studyView `json:"studies"`
		Links   pageLinks   `json:"links"`
	}{[]studyView{}, links}
	for _, study := range found {
		list.Studies = append(list.Studies, viewStudy(study))
	}
	return send(c, list)
}

func sendStudy(c echo.Context, study inventory.Study) error {
	tagDraft(c, study.Revision)
	return send(c, viewStudy(study))
}

func (s *Server) getStudy(c echo.Context) error {
	study, err := s.service.Study(c.Request().Context(), c.Param("study"))
	if err != nil {
		return err
	}
	return sendStudy(c, study)
}

func (s *Server) describeStudy(c echo.Context) error {
	revision, err := revisionOf(c)
	if err != nil {
		return err
	}
	var asked struct {
		Name *string   `json:"name"`
		Tags *[]string `json:"tags"`
	}
	if _, err := s.storing(c, "describeStudy", &asked); err != nil {
		return err
	}
	if _, err := s.service.DescribeStudy(c.Request().Context(), c.Param("study"), revision, asked.Name, asked.Tags); err != nil {
		return err
	}
	return s.getStudy(c)
}

func (s *Server) deleteStudy(c echo.Context) error {
	revision, err := revisionOf(c)
	if err != nil {
		return err
	}
	if err := s.service.DeleteStudy(c.Request().Context(), c.Param("study"), revision); err != nil {
		return err
	}
	return c.NoContent(http.StatusNoContent)
}

// studyResult computes the comparison again. Where that is not what was saved, a
// header says so; the body is what the program of today answers.
func (s *Server) studyResult(c echo.Context, media string) error {
	if err := checkForm(media, c.QueryParams()); err != nil {
		return err
	}
	if media != mediaJSON {
		return s.inForm(c, media, "no-cache", s.studied(c.Param("study")))
	}
	var result *service.StudyResult
	text, err := s.computed(c.Request().Context(), "studyResult", func(ctx context.Context) ([]byte, error) {
		var err error
		if result, err = s.service.StudyResult(ctx, c.Param("study")); err != nil {
			return nil, err
		}
		return result.Text, nil
	})
	if err != nil {
		return err
	}
	if err := s.tellWithdrawn(c, result.Study.Inventory.String()); err != nil {
		return err
	}
	h := c.Response().Header()
	if result.Moved != "" {
		h.Set("Study-Moved", result.Moved)
	}
	h.Set("Cache-Control", "no-cache")
	h.Add("Vary", "Accept")
	return sendTagged(c, mediaJSON, `"`+result.Hash+`"`, text)
}

// rerunStudy computes a study on another version, and stores nothing.
func (s *Server) rerunStudy(c echo.Context) error {
	var asked struct {
		Inventory string `json:"inventory"`
	}
	if _, err := s.storing(c, "rerunStudy", &asked); err != nil {
		return err
	}
	pinned := ""
	text, err := s.computed(c.Request().Context(), "rerunStudy", func(ctx context.Context) ([]byte, error) {
		result, err := s.service.Rerun(ctx, c.Param("study"), asked.Inventory)
		if err != nil {
			return nil, err
		}
		pinned = result.Pinned()
		return service.Encode(result)
	})
	if err != nil {
		return err
	}
	if err := s.tellWithdrawn(c, pinned); err != nil {
		return err
	}
	return c.Blob(http.StatusOK, mediaJSON, text)
}
