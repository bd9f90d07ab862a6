package api_test

import (
	"bytes"
	"context"
	"fmt"
	"net/http"
	"net/http/httptest"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
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

// uncertain is the demo under uncertainty, with so many samples.
func uncertain(t testing.TB, samples int) string {
	t.Helper()
	return fmt.Sprintf(`{"comparison":%s,"samples":%d}`, demo(t), samples)
}

// Where every place of long work is taken, and as many wait as may, the next is refused
// at once and told of jobs; a comparison is answered as ever.
func TestLongWorkLeavesRoom(t *testing.T) {
	server := newServer(t, api.Options{MaxLong: 1, MaxWaiting: 2, ComputeWait: time.Minute})
	leave := server.TakeLongPlaces()
	waits := make(chan *httptest.ResponseRecorder)
	go func() { waits <- server.do(post("/v1/uncertainty", uncertain(t, 1000))) }()
	for server.LongRequests() < 2 { // of which the test is one
		time.Sleep(time.Millisecond)
	}
	for operation, request := range requests(t) {
		w := server.do(post(request[0], request[1]))
		if operation == "comparison" {
			if w.Code != http.StatusOK {
				t.Errorf("%s: %d %s", operation, w.Code, w.Body)
			}
			continue
		}
		if p := problemOf(t, w.Code, w.Header(), w.Body.Bytes()); !strings.HasSuffix(p.Type, "/overloaded") || w.Header().Get("Retry-After") != "5" || !strings.Contains(p.Detail, "POST /v1/jobs") {
			t.Errorf("%s: %v %+v", operation, w.Header(), p)
		}
	}
	// What a job runs is taken as one all the time.
	queue(t, server, "uncertainty", uncertain(t, 1000))
	leave()
	if w := <-waits; w.Code != http.StatusOK {
		t.Errorf("the one that waited: %d %s", w.Code, w.Body)
	}
	if n := server.LongRequests(); n != 0 {
		t.Errorf("%d are still counted", n)
	}
}

// What takes too long is told of jobs where one may run it, and when to come again.
func TestComputeTimeout(t *testing.T) {
	server := newServer(t, api.Options{ComputeLimit: time.Nanosecond})
	list := requests(t)
	for _, operation := range []string{"uncertainty", "conclusions", "search", "grid", "comparison"} {
		w := server.do(post(list[operation][0], list[operation][1]))
		if p := problemOf(t, w.Code, w.Header(), w.Body.Bytes()); !strings.HasSuffix(p.Type, "/compute-timeout") || w.Header().Get("Retry-After") != "30" || !strings.Contains(p.Detail, "POST /v1/jobs") {
			t.Errorf("%s: %v %+v", operation, w.Header(), p)
		}
	}
	w := server.do(post("/v1/evaluations", string(single(t))))
	if p := problemOf(t, w.Code, w.Header(), w.Body.Bytes()); strings.Contains(p.Detail, "/v1/jobs") {
		t.Errorf("no job runs an evaluation: %+v", p)
	}
}

// BenchmarkLightBesideHeavy takes the latency of the demo comparison by four clients,
// first alone and then while eight clients ask for a million samples each, again and
// again. It reports the 99th of a hundred of each, and their ratio.
func BenchmarkLightBesideHeavy(b *testing.B) {
	server := newServer(b, api.Options{})
	address := "http://" + listen(b, server)
	light := func(n int) time.Duration {
		took := make([]time.Duration, n)
		var next atomic.Int64
		var clients sync.WaitGroup
		for range 4 {
			clients.Go(func() {
				own := client()
				for i := next.Add(1) - 1; i < int64(n); i = next.Add(1) - 1 {
					start := time.Now()
					ask(b, own, address+"/v1/comparisons", []byte(demo(b)))
					took[i] = time.Since(start)
				}
			})
		}
		clients.Wait()
		slices.Sort(took)
		return took[n*99/100-1]
	}
	light(20)
	var idle, busy time.Duration
	heavy := []byte(uncertain(b, 1_000_000))
	for range b.N {
		idle += light(100)
		ctx, stop := context.WithCancel(b.Context())
		var clients sync.WaitGroup
		for range 8 {
			clients.Go(func() {
				for ctx.Err() == nil {
					r, err := http.NewRequestWithContext(ctx, http.MethodPost, address+"/v1/uncertainty", bytes.NewReader(heavy))
					if err != nil {
						b.Error(err)
						return
					}
					r.Header.Set("Content-Type", "application/json")
					if w, err := http.DefaultClient.Do(r); err == nil { // else the end of the round
						_ = w.Body.Close()
						if w.StatusCode == http.StatusServiceUnavailable {
							time.Sleep(time.Second)
						}
					}
				}
			})
		}
		time.Sleep(300 * time.Millisecond)
		busy += light(100)
		stop()
		clients.Wait()
	}
	b.ReportMetric(float64(idle.Milliseconds())/float64(b.N), "ms-idle/p99")
	b.ReportMetric(float64(busy.Milliseconds())/float64(b.N), "ms-busy/p99")
	b.ReportMetric(float64(busy)/float64(idle), "×idle")
	b.ReportMetric(0, "ns/op")
}
