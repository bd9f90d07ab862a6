package api_test

import (
	"net/http"
	"strings"
	"sync"
	"testing"
	"time"

	"slabledger/api"
)

// A page in a browser reaches a service on this machine under a name of its own
// (DNS rebinding): such a request is refused, by any method and path.
func TestRequestsForAnotherHost(t *testing.T) {
	server := newServer(t, api.Options{Hosts: []string{"slabs.example"}})
	for host, want := range map[string]int{
		"localhost": 200, "localhost:8080": 200, "LOCALHOST.": 200, "127.0.0.1:80": 200, "[::1]:8080": 200, "127.9.9.9": 200,
		"slabs.example": 200, "slabs.example:443": 200,
		"evil.example": 421, "evil.example:80": 421, "192.0.2.1": 421, "127.0.0.1.evil.example": 421, "": 421,
	} {
		r := get("/v1/inventories")
		r.Host = host
		got := server.do(r)
		if got.Code != want {
			t.Errorf("Host %q: %d, want %d", host, got.Code, want)
		}
		if got.Code != http.StatusOK {
			problemOf(t, got.Code, got.Header(), got.Body.Bytes())
		}
	}
}

// With no room to compute, a request waits a while and is then told when to come
// again; health is answered all the time, and all is well afterwards.
func TestOverload(t *testing.T) {
	server := newServer(t, api.Options{MaxComputing: 1, ComputeWait: time.Millisecond})
	body := string(twenty(t))
	var wait sync.WaitGroup
	var mu sync.Mutex
	count := map[int]int{}
	for range 40 {
		wait.Go(func() {
			got := server.do(post("/v1/comparisons", body))
			if got.Code == http.StatusServiceUnavailable {
				if p := problemOf(t, got.Code, got.Header(), got.Body.Bytes()); !strings.HasSuffix(p.Type, "overloaded") || got.Header().Get("Retry-After") == "" {
					t.Errorf("%+v", p)
				}
			}
			mu.Lock()
			count[got.Code]++
			mu.Unlock()
		})
		if got := server.do(get("/healthz")); got.Code != http.StatusOK {
			t.Errorf("health: %d", got.Code)
		}
	}
	wait.Wait()
	if count[200] == 0 || count[503] == 0 || count[200]+count[503] != 40 {
		t.Errorf("answers: %v", count)
	}
	if got := server.do(post("/v1/comparisons", body)); got.Code != http.StatusOK {
		t.Errorf("afterwards: %d", got.Code)
	}
}
