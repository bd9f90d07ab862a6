package api

import (
	"net/http"
	"slices"
	"strconv"

	"github.com/labstack/echo/v4"

	"slabledger/inventory"
	"slabledger/service"
)

func (s *Server) routeKeys() {
	s.route(http.MethodGet, "/v1/keys", "listKeys", s.json("listKeys", s.listKeys))
	s.route(http.MethodPost, "/v1/keys", "createKey", s.json("createKey", s.createKey))
	s.route(http.MethodGet, "/v1/keys/:id", "getKey", s.json("getKey", s.getKey))
	s.route(http.MethodDelete, "/v1/keys/:id", "revokeKey", s.json("revokeKey", s.revokeKey))
	s.route(http.MethodGet, "/v1/journal", "listJournal", s.json("listJournal", s.listJournal))
}

type keyView struct {
	ID        string         `json:"id"`
	Name      string         `json:"name"`
	Role      inventory.Role `json:"role"`
	State     string         `json:"state"`
	CreatedAt string         `json:"created_at"`
	ExpiresAt *string        `json:"expires_at"`
	RevokedAt *string        `json:"revoked_at"`
	Limits    limitsView     `json:"limits"`
}

// limitsView has null where the key has no limit of its own.
type limitsView struct {
	Samples      *int `json:"samples"`
	Combinations *int `json:"combinations"`
	Seconds      *int `json:"seconds"`
}

func (s *Server) viewKey(k inventory.Key) keyView {
	view := keyView{ID: k.ID, Name: k.Name, Role: k.Role, State: k.State(inventory.FormatTime(s.options.Now())), CreatedAt: k.CreatedAt}
	if k.ExpiresAt != "" {
		view.ExpiresAt = &k.ExpiresAt
	}
	if k.RevokedAt != "" {
		view.RevokedAt = &k.RevokedAt
	}
	given := func(most int) *int {
		if most == 0 {
			return nil
		}
		return &most
	}
	view.Limits = limitsView{given(k.Limits.Samples), given(k.Limits.Combinations), given(k.Limits.Seconds)}
	return view
}

func (s *Server) listKeys(c echo.Context) error {
	at, err := readPage(c)
	if err != nil {
		return err
	}
	keys, err := s.service.Keys(c.Request().Context())
	if err != nil {
		return err
	}
	place := func(k inventory.Key) string { return k.CreatedAt + "/" + k.ID }
	keys = slices.DeleteFunc(keys, func(k inventory.Key) bool { return place(k) <= at.after })
	keys, links := cut(c, at, keys, place)
	list := struct {
		Keys  []keyView `json:"keys"`
		Links pageLinks `json:"links"`
	}{[]keyView{}, links}
	for _, k := range keys {
		list.Keys = append(list.Keys, s.viewKey(k))
	}
	return send(c, list)
}

// createKey tells the secret in its first answer only: it is kept nowhere, so a
// request that is sent again gets the key without it.
func (s *Server) createKey(c echo.Context) error {
	var asked service.NewKey
	body, err := s.storing(c, "createKey", &asked)
	if err != nil {
		return err
	}
	return s.once(c, http.StatusCreated, body, func(retry *inventory.Retry) (string, any, error) {
		k, secret, err := s.service.CreateKey(c.Request().Context(), asked, retry)
		if err != nil {
			return "", nil, err
		}
		return service.KeyLocation(k.ID), struct {
			keyView
			Secret string `json:"secret"`
		}{s.viewKey(k), secret}, nil
	})
}

func (s *Server) getKey(c echo.Context) error {
	k, err := s.service.Key(c.Request().Context(), c.Param("id"))
	if err != nil {
		return err
	}
	return send(c, s.viewKey(k))
}

func (s *Server) revokeKey(c echo.Context) error {
	if err := s.service.RevokeKey(c.Request().Context(), c.Param("id")); err != nil {
		return err
	}
	return s.getKey(c)
}

type entryView struct {
	Number    int    `json:"number"`
	At        string `json:"at"`
	Actor     string `json:"actor"`
	Action    string `json:"action"`
	Target    string `json:"target"`
	RequestID string `json:"request_id"`
	Before    string `json:"before"`
	After     string `json:"after"`
	Hash      string `json:"hash"`
}

func (s *Server) listJournal(c echo.Context) error {
	at, err := readPage(c)
	if err != nil {
		return err
	}
	after := 0
	if at.after != "" {
		if after, err = strconv.Atoi(at.after); err != nil {
			return errCursor
		}
	}
	found, err := s.service.Journal(c.Request().Context(), after, at.limit+1)
	if err != nil {
		return err
	}
	found, links := cut(c, at, found, func(e inventory.Entry) string { return strconv.Itoa(e.Number) })
	list := struct {
		Entries []entryView `json:"entries"`
		Links   pageLinks   `json:"links"`
	}{[]entryView{}, links}
	for _, e := range found {
		list.Entries = append(list.Entries, entryView{e.Number, e.At, e.Actor, e.Action, e.Target, e.RequestID, e.Before, e.After, e.Hash})
	}
	return send(c, list)
}
