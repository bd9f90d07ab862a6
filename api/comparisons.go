package api

import (
	"bytes"
	"context"
	"errors"
	"net/http"
	"slices"
	"time"

	"github.com/labstack/echo/v4"

	"slabledger/inventory"
	"slabledger/lca/fault"
	"slabledger/service"
	"slabledger/service/report"
)

func (s *Server) routeComparisons() {
	s.route(http.MethodPost, "/v1/comparisons", "compare", s.inForms("compare", comparisonMedia(), s.compare))
	s.route(http.MethodPost, "/v1/evaluations", "evaluate", compute(s, "evaluate", s.service.Evaluate))
	s.route(http.MethodPost, "/v1/grids", "studyGrid", s.inForms("studyGrid", []string{mediaJSON, mediaCSV}, s.studyGrid))
	s.route(http.MethodPost, "/v1/search", "search", compute(s, "search", s.service.SearchNow))
	s.route(http.MethodPost, "/v1/break-even", "breakEven", compute(s, "breakEven", s.service.BreakEven))
	s.route(http.MethodPost, "/v1/sensitivity", "sensitivity", compute(s, "sensitivity", s.service.Sensitivity))
	s.route(http.MethodPost, "/v1/uncertainty", "uncertainty", compute(s, "uncertainty", s.service.Uncertainty))
	s.route(http.MethodPost, "/v1/methods", "studyMethods", compute(s, "studyMethods", s.service.Methods))
	s.route(http.MethodPost, "/v1/conclusions", "conclude", compute(s, "conclude", s.service.Conclude))
	s.route(http.MethodPost, "/v1/bundles", "bundle", compute(s, "bundle", s.service.Bundle))
	s.route(http.MethodPost, "/v1/explain", "explain", compute(s, "explain", s.service.Explain))
	s.route(http.MethodPost, "/v1/verify", "verify", s.json("verify", s.verify))
	s.route(http.MethodPost, "/v1/thickness", "sizeSlab", compute(s, "sizeSlab", s.service.SizeSlab))
	s.route(http.MethodPost, "/v1/beam-tests", "testBeams", compute(s, "testBeams", s.service.BeamTests))
	s.route(http.MethodPost, "/v1/mixes/check", "checkMix", s.inForms("checkMix", []string{mediaJSON, mediaHTML}, s.checkMix))
}

// heavy makes room for work that holds a whole table in memory, of which few run at
// once, and gives it time to be written; the caller ends it.
func (s *Server) heavy(c echo.Context) (done func(), err error) {
	done, err = s.room(c.Request().Context(), s.tables)
	if err != nil {
		return nil, err
	}
	// Where the connection has no deadlines to set, as in a test, there is nothing to do.
	_ = http.NewResponseController(c.Response()).SetWriteDeadline(time.Now().Add(tableTime))
	return done, nil
}

// room waits a while for a place among those that work at once, which the caller
// leaves by done.
func (s *Server) room(ctx context.Context, places chan struct{}) (done func(), err error) {
	wait := time.NewTimer(s.options.ComputeWait)
	defer wait.Stop()
	select {
	case places <- struct{}{}:
		return func() { <-places }, nil
	case <-wait.C:
		return nil, &refusal{code: "overloaded", header: [2]string{"Retry-After", "5"}}
	case <-ctx.Done():
		return nil, &service.Error{Code: service.Unavailable, Detail: "the request was given up", Cause: ctx.Err()}
	}
}

// tableTime is how long a table may take to be read, stored or written.
const tableTime = 5 * time.Minute

// long are the operations that may compute for seconds. They have places of their own,
// so that those that take milliseconds never wait for one of them.
var long = []string{"studyGrid", "search", "breakEven", "sensitivity", "uncertainty", "studyMethods", "conclude", "rerunStudy", operationReport}

// inJobs are the operations that a job may run too.
var inJobs = []string{"compare", "studyGrid", "search", "breakEven", "sensitivity", "uncertainty", "studyMethods", "conclude"}

// computed runs the work of an operation when there is room for it, or refuses: at
// once where too many long ones wait already, else after a while.
func (s *Server) computed(ctx context.Context, operationID string, work func(context.Context) ([]byte, error)) ([]byte, error) {
	places := s.computing
	if slices.Contains(long, operationID) {
		places = s.lasting
		if s.waiting.Add(1) > int64(s.options.MaxWaiting) {
			s.waiting.Add(-1)
			return nil, refusedFor(operationID, "overloaded", nil)
		}
		defer s.waiting.Add(-1)
	}
	done, err := s.room(ctx, places)
	var full *refusal
	if errors.As(err, &full) {
		return nil, refusedFor(operationID, full.code, nil)
	}
	if err != nil {
		return nil, err
	}
	defer done()
	limited, cancel := context.WithTimeout(ctx, service.ActorOf(ctx).Within(s.options.ComputeLimit))
	defer cancel()
	text, err := work(limited)
	if err != nil && limited.Err() != nil && ctx.Err() == nil {
		return nil, refusedFor(operationID, "compute-timeout", err)
	}
	return text, err
}

// refusedFor is the refusal of work for which there is no room or no time now. Of what
// jobs run it says so.
func refusedFor(operationID, code string, cause error) error {
	after := map[string]string{"overloaded": "5", "compute-timeout": "30"}[code]
	r := &refusal{code: code, header: [2]string{"Retry-After", after}, cause: cause}
	if slices.Contains(inJobs, operationID) {
		r.detail = kindByCode[code].Meaning + " Send it as a job (POST /v1/jobs), which waits for its turn and may take longer."
	}
	return r
}

// tellWithdrawn says in a header that the version behind an answer is withdrawn. The
// body stays what it always was, byte for byte.
func (s *Server) tellWithdrawn(c echo.Context, pinned string) error {
	ref, ok := inventory.ParseRef(pinned)
	if !ok {
		return nil // the answer rests on no inventory
	}
	withdrawn, err := s.service.Withdrawn(c.Request().Context(), ref.Slug)
	if err != nil {
		return err
	}
	if w, gone := withdrawn[ref.Number]; gone {
		c.Response().Header().Set("Inventory-Withdrawn", pinned+"; at="+w.At)
	}
	return nil
}

// verify reads a bundle, which is larger than other bodies and may have been changed in
// any place, so the use case reads it in place of the contract.
func (s *Server) verify(c echo.Context) error {
	done, err := s.heavy(c)
	if err != nil {
		return err
	}
	defer done()
	body, err := jsonBody(c, service.MaxBundleBytes)
	if err != nil {
		return err
	}
	text, err := s.computed(c.Request().Context(), "verify", func(ctx context.Context) ([]byte, error) {
		result, err := s.service.Verify(ctx, body, s.contract.CheckRequest)
		if err != nil {
			return nil, err
		}
		return service.Encode(result)
	})
	if err != nil {
		return err
	}
	return c.Blob(http.StatusOK, "application/json", text)
}

// CheckRequest holds the body of a comparison against the contract.
func (c *Contract) CheckRequest(body []byte) (accepted []byte, refused []fault.Fault, err error) {
	return c.CheckBody("compare", body)
}

// studyGrid answers as JSON, or as CSV where the client prefers that.
func (s *Server) studyGrid(c echo.Context, media string) error {
	body, refused, err := s.readBody(c, "studyGrid")
	if err != nil {
		return err
	}
	pinned := ""
	text, err := s.computed(c.Request().Context(), "studyGrid", func(ctx context.Context) ([]byte, error) {
		grid, err := s.service.Grid(ctx, body, refused...)
		switch {
		case err != nil:
			return nil, err
		case media == mediaCSV:
			pinned = grid.Pinned()
			return grid.CSV()
		}
		pinned = grid.Pinned()
		return service.Encode(grid)
	})
	if err != nil {
		return err
	}
	if err := s.tellWithdrawn(c, pinned); err != nil {
		return err
	}
	c.Response().Header().Add("Vary", "Accept")
	if media == mediaCSV {
		media += "; charset=utf-8"
	}
	return c.Blob(http.StatusOK, media, text)
}

// checkMix answers as JSON, or with the batch sheet where the client prefers a page.
// The sheet brings its style along, so that it prints the same when it is saved; no
// other is let in.
func (s *Server) checkMix(c echo.Context, media string) error {
	body, refused, err := s.readBody(c, "checkMix")
	if err != nil {
		return err
	}
	pinned := ""
	text, err := s.computed(c.Request().Context(), "checkMix", func(ctx context.Context) ([]byte, error) {
		if media == mediaHTML {
			result, err := s.service.BatchSheet(ctx, body, refused...)
			if err != nil {
				return nil, err
			}
			pinned = result.Inventory.Ref
			var page bytes.Buffer
			err = report.BatchSheet(&page, result)
			return page.Bytes(), err
		}
		result, err := s.service.CheckMix(ctx, body, refused...)
		if err != nil {
			return nil, err
		}
		pinned = result.Inventory.Ref
		return service.Encode(result)
	})
	if err != nil {
		return err
	}
	if err := s.tellWithdrawn(c, pinned); err != nil {
		return err
	}
	h := c.Response().Header()
	h.Add("Vary", "Accept")
	if media == mediaHTML {
		h.Set("Content-Security-Policy", styleAlone(report.BatchSheetStyle))
		media += "; charset=utf-8"
	}
	return c.Blob(http.StatusOK, media, text)
}

// compute is an operation that answers a JSON body with what a use case makes
// of it, and stores nothing. The use case is told what the contract has refused of
// the body, and then only looks for more.
func compute[R any](s *Server, operationID string, use func(context.Context, []byte, ...fault.Fault) (R, error)) echo.HandlerFunc {
	return s.json(operationID, func(c echo.Context) error {
		body, refused, err := s.readBody(c, operationID)
		if err != nil {
			return err
		}
		pinned := ""
		text, err := s.computed(c.Request().Context(), operationID, func(ctx context.Context) ([]byte, error) {
			result, err := use(ctx, body, refused...)
			if err != nil {
				return nil, err
			}
			if of, ok := any(result).(interface{ Pinned() string }); ok {
				pinned = of.Pinned()
			}
			return service.Encode(result)
		})
		if err != nil {
			return err
		}
		if err := s.tellWithdrawn(c, pinned); err != nil {
			return err
		}
		return c.Blob(http.StatusOK, "application/json", text)
	})
}
