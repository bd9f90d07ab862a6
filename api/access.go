package api

import (
	"errors"
	"fmt"
	"net/http"
	"net/netip"
	"net/url"
	"regexp"
	"strconv"
	"strings"
	"sync"
	"time"

	"github.com/labstack/echo/v4"
	"golang.org/x/time/rate"

	"slabledger/inventory"
	"slabledger/service"
)

// admitted lets those requests through to an operation whose key, or place, has the
// role that it needs; where that is empty it is open to all.
func (s *Server) admitted(needed inventory.Role, handle echo.HandlerFunc) echo.HandlerFunc {
	if needed == "" {
		return handle
	}
	return func(c echo.Context) error {
		actor, err := s.actor(c, needed)
		if err != nil {
			return err
		}
		if err := admit(c, actor, needed); err != nil {
			return err
		}
		return handle(c)
	}
}

// admit makes an actor answer for a request, where that has the role needed.
func admit(c echo.Context, actor service.Actor, needed inventory.Role) error {
	if !actor.Role.May(needed) {
		return &refusal{code: "insufficient-scope", detail: fmt.Sprintf("This needs a key with the role %s; that of %s is %s.", needed, actor.ID, actor.Role),
			header: [2]string{"WWW-Authenticate", challenge + fmt.Sprintf(`, error="insufficient_scope", scope="%s"`, needed)}}
	}
	actor.RequestID, _ = c.Get(idKey).(string)
	c.Set(actorKey, actor.ID)
	c.SetRequest(c.Request().WithContext(service.As(c.Request().Context(), actor)))
	return nil
}

// challenge is how a key is to be sent (RFC 6750, 3).
const challenge = `Bearer realm="slabledger"`

// actor finds who makes a request. A key that is sent must be good, also where none
// is needed.
func (s *Server) actor(c echo.Context, needed inventory.Role) (service.Actor, error) {
	headers := c.Request().Header.Values("Authorization")
	if len(headers) == 0 {
		// The key that a browser keeps counts for what only reads, and for a form of our own.
		if cookie, err := c.Cookie(cookieName(c)); err == nil && s.crossOrigin.Check(c.Request()) == nil {
			// What a browser keeps of the answer is not for whoever sits there next, signed out.
			c.Response().Header().Add("Vary", "Cookie")
			return s.withKey(c, cookie.Value)
		}
		return s.withoutKey(c.Request(), needed)
	}
	scheme, secret, _ := strings.Cut(headers[0], " ")
	if len(headers) > 1 {
		return service.Actor{}, &refusal{code: "malformed-request", detail: "The header Authorization stands more than once."}
	}
	if !strings.EqualFold(scheme, "Bearer") {
		return service.Actor{}, &refusal{code: "unauthenticated", detail: `The header Authorization must be "Bearer" and a key.`, header: [2]string{"WWW-Authenticate", challenge}}
	}
	return s.withKey(c, strings.TrimSpace(secret))
}

func (s *Server) withoutKey(r *http.Request, needed inventory.Role) (service.Actor, error) {
	keyed, err := s.service.Keyed(r.Context(), s.options.Now())
	if err != nil {
		return service.Actor{}, err
	}
	if !keyed {
		// Whoever reaches the port is this machine's user, and so is each page in
		// that user's browser, which must not store behind the user's back.
		if err := s.crossOrigin.Check(r); err != nil {
			return service.Actor{}, &refusal{code: "cross-origin"}
		}
		return service.Actor{ID: service.Local, Role: inventory.Admin}, nil
	}
	if s.options.OpenReads && inventory.Viewer.May(needed) {
		return service.Actor{ID: service.Anonymous, Role: inventory.Viewer}, nil
	}
	return service.Actor{}, &refusal{code: "unauthenticated", header: [2]string{"WWW-Authenticate", challenge}}
}

func (s *Server) withKey(c echo.Context, secret string) (service.Actor, error) {
	r, now := c.Request(), s.options.Now()
	from := client(r)
	// A key is looked at whatever others do from its address; only what is none waits.
	actor, err := s.service.Authenticate(r.Context(), secret, now)
	var failed *service.Error
	if errors.As(err, &failed) && failed.Code == service.Unauthenticated {
		if wait := s.failures.wait(from, now); wait > 0 {
			seconds := int64((wait + time.Second - 1) / time.Second)
			return service.Actor{}, &refusal{code: "rate-limited", header: [2]string{"Retry-After", strconv.FormatInt(seconds, 10)}}
		}
		s.failures.note(from, now)
		id, _ := c.Get(idKey).(string)
		s.options.Logger.Warn("key refused", "request_id", id, "from", from.String(), "reason", failed.Detail)
		return actor, &refusal{code: "unauthenticated", detail: failed.Detail, header: [2]string{"WWW-Authenticate", challenge + `, error="invalid_token"`}}
	}
	return actor, err
}

// Of an address, ten keys that are none are answered at once and then one in six
// seconds. No number of guesses finds a key of 256 random bits; the limit spares the
// log.
const (
	failuresAtOnce = 10
	failureEvery   = 6 * time.Second
	maxClients     = 10_000 // of which failures are counted
)

// failures counts, for each client, the keys that were none.
type failures struct {
	mu sync.Mutex
	of map[netip.Prefix]*rate.Limiter
}

// wait is how long a client is to wait until its next failure is answered.
func (f *failures) wait(from netip.Prefix, now time.Time) time.Duration {
	f.mu.Lock()
	defer f.mu.Unlock()
	limit := f.of[from]
	if limit == nil {
		return 0
	}
	next := limit.ReserveN(now, 1)
	defer next.CancelAt(now) // it was only asked
	return next.DelayFrom(now)
}

func (f *failures) note(from netip.Prefix, now time.Time) {
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.of[from] == nil {
		for other := range f.of {
			if len(f.of) < maxClients {
				break
			}
			delete(f.of, other)
		}
		f.of[from] = rate.NewLimiter(rate.Every(failureEvery), failuresAtOnce)
	}
	f.of[from].AllowN(now, 1)
}

// client is where a request comes from: an address, or a network of IPv6 that one
// user has. A proxy on this machine speaks for the client that it names last in
// X-Forwarded-For.
func client(r *http.Request) netip.Prefix {
	peer, _ := netip.ParseAddrPort(r.RemoteAddr) // the zero address where there is none
	from := peer.Addr().Unmap()
	if from.IsLoopback() {
		list := strings.Join(r.Header.Values("X-Forwarded-For"), ",")
		if named, err := netip.ParseAddr(strings.TrimSpace(list[strings.LastIndexByte(list, ',')+1:])); err == nil {
			from = named.Unmap()
		}
	}
	bits := 64
	if from.Is4() {
		bits = 32
	}
	network, _ := from.WithZone("").Prefix(bits) // the zero one of the zero address
	return network
}

// secretLike finds what looks like a secret, whole or in part.
var secretLike = regexp.MustCompile(service.SecretPrefix + `[0-9A-Za-z]{8,}`)

// showsKey tells whether a key stands in an address, which logs and histories keep.
func showsKey(u *url.URL) bool {
	if secretLike.MatchString(u.Path) {
		return true
	}
	if u.RawQuery == "" {
		return false
	}
	query, _ := url.ParseQuery(u.RawQuery) // what can be read of it
	for name, values := range query {
		if name == "access_token" || secretLike.MatchString(name) || secretLike.MatchString(strings.Join(values, " ")) {
			return true
		}
	}
	return secretLike.MatchString(u.RawQuery)
}

func keyShown(echo.Context) error {
	return &refusal{code: "malformed-request", detail: "A key stands in the address, where others may read it. Revoke it, make another, and send that in the header Authorization."}
}

// masked is a path without what looks like a secret, for the log.
func masked(path string) string {
	return secretLike.ReplaceAllString(path, service.SecretPrefix+"***")
}
