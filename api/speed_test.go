package api_test

import (
	"bytes"
	"fmt"
	"io"
	"net"
	"net/http"
	"slices"
	"testing"
	"time"

	"github.com/go-json-experiment/json"
	"github.com/labstack/echo/v4"

	"slabledger/api"
)

// BenchmarkAgainstStatic sets the latency of an answer against a static JSON
// answer of the same size from a bare echo server, on loopback, one connection
// each, request about request, so that both see the same machine. It reports
// the median of each and their ratio.
func BenchmarkAgainstStatic(b *testing.B) {
	for _, c := range []struct {
		name string
		path string
		body []byte
	}{
		{"evaluation", "/v1/evaluations", single(b)},
		{"comparison-of-20", "/v1/comparisons", twenty(b)},
	} {
		b.Run(c.name, func(b *testing.B) {
			server := newServer(b, api.Options{})
			full := "http://" + listen(b, server) + c.path
			size := len(ask(b, client(), full, c.body))

			static := echo.New()
			fixed, err := json.Marshal(map[string]string{"pad": string(bytes.Repeat([]byte("x"), size-10))})
			if err != nil {
				b.Fatal(err)
			}
			static.POST("/", func(c echo.Context) error { return c.Blob(http.StatusOK, "application/json", fixed) })
			floor := "http://" + listen(b, static) + "/"

			ours, theirs := client(), client()
			var took, least []time.Duration
			b.ResetTimer()
			for range b.N {
				start := time.Now()
				ask(b, ours, full, c.body)
				took = append(took, time.Since(start))
				start = time.Now()
				ask(b, theirs, floor, c.body)
				least = append(least, time.Since(start))
			}
			b.StopTimer()
			slices.Sort(took)
			slices.Sort(least)
			median, ground := took[len(took)/2], least[len(least)/2]
			b.ReportMetric(float64(median.Microseconds()), "µs/answer")
			b.ReportMetric(float64(ground.Microseconds()), "µs/static")
			b.ReportMetric(float64(median)/float64(ground), "×static")
			b.ReportMetric(float64(size), "bytes")
			b.ReportMetric(0, "ns/op")
		})
	}
}

// single is the plain alternative of the demo as an evaluation.
func single(t testing.TB) []byte {
	t.Helper()
	var doc map[string]any
	if err := json.Unmarshal([]byte(demo(t)), &doc); err != nil {
		t.Fatal(err)
	}
	doc["alternative"] = doc["alternatives"].([]any)[0]
	delete(doc, "alternatives")
	delete(doc, "baseline")
	return encode(t, doc)
}

// twenty is the plain slab in twenty thicknesses, each written in full.
func twenty(t testing.TB) []byte {
	t.Helper()
	var doc map[string]any
	if err := json.Unmarshal([]byte(demo(t)), &doc); err != nil {
		t.Fatal(err)
	}
	plain := encode(t, doc["alternatives"].([]any)[0])
	var all []any
	for i := range 20 {
		var a map[string]any
		if err := json.Unmarshal(plain, &a); err != nil {
			t.Fatal(err)
		}
		a["name"] = fmt.Sprint("slab ", i)
		a["slab"].(map[string]any)["thickness"] = fmt.Sprint(200+5*i, " mm")
		all = append(all, a)
	}
	doc["alternatives"], doc["baseline"] = all, "slab 0"
	return encode(t, doc)
}

func encode(t testing.TB, v any) []byte {
	t.Helper()
	b, err := json.Marshal(v)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

func listen(t testing.TB, handler http.Handler) string {
	t.Helper()
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	server := &http.Server{Handler: handler, ReadHeaderTimeout: time.Second}
	go server.Serve(listener) //nolint:errcheck // ends with the test
	t.Cleanup(func() { _ = server.Close() })
	return listener.Addr().String()
}

// client keeps one connection and takes answers as they are.
func client() *http.Client {
	return &http.Client{Transport: &http.Transport{MaxConnsPerHost: 1, DisableCompression: true}}
}

func ask(t testing.TB, c *http.Client, url string, body []byte) []byte {
	t.Helper()
	resp, err := c.Post(url, "application/json", bytes.NewReader(body))
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	text, err := io.ReadAll(resp.Body)
	if err != nil {
		t.Fatal(err)
	}
	if resp.StatusCode != http.StatusOK {
		t.Fatalf("%d: %s", resp.StatusCode, text[:min(len(text), 500)])
	}
	return text
}
