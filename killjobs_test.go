package main

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"io"
	"net/http"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/go-json-experiment/json"

	"slabledger/inventory"
	"slabledger/inventory/storetest"
)

// The jobs of a server that is killed with kill -9 go on: another server on the same
// database begins them anew, on both stores, and what comes of them is what the
// operation answers at once.
func TestKilledServersJobsGoOn(t *testing.T) {
	binary := built(t)
	t.Run("sqlite", func(t *testing.T) {
		t.Parallel()
		killJobs(t, binary, filepath.Join(t.TempDir(), "test.db"), "")
	})
	t.Run("postgres", func(t *testing.T) {
		t.Parallel()
		killJobs(t, binary, "", storetest.Postgres(t))
	})
}

// longWork is a grid of 480 slabs, which takes a while.
func longWork(t *testing.T) string {
	t.Helper()
	var request struct {
		Inventory      string           `json:"inventory"`
		FunctionalUnit map[string]any   `json:"functional_unit"`
		Economics      map[string]any   `json:"economics"`
		Alternatives   []map[string]any `json:"alternatives,omitzero"`
		Alternative    map[string]any   `json:"alternative"`
		Axes           []map[string]any `json:"axes"`
	}
	if err := json.Unmarshal([]byte(read(t, "testdata/scenarios/sized.json")), &request); err != nil {
		t.Fatal(err)
	}
	request.Alternative, request.Alternatives = request.Alternatives[0], nil
	axis := func(name string, count int, lay func(n int) map[string]any) {
		var variants []map[string]any
		for n := range count {
			v := lay(n)
			v["name"] = fmt.Sprintf("%s %d", name, n)
			variants = append(variants, v)
		}
		request.Axes = append(request.Axes, map[string]any{"name": name, "variants": variants})
	}
	axis("waste", 24, func(n int) map[string]any {
		return map[string]any{"slab": map[string]any{"waste": map[string]any{"concrete": fmt.Sprintf("%d %%", n)}}}
	})
	axis("air", 20, func(n int) map[string]any {
		return map[string]any{"mix": map[string]any{"air": fmt.Sprintf("%d.%d %%", 1+n/10, n%10)}}
	})
	text, err := json.Marshal(request)
	if err != nil {
		t.Fatal(err)
	}
	return string(text)
}

func killJobs(t *testing.T, binary, db, url string) {
	p := &program{out: io.Discard, errs: io.Discard, env: func(name string) string { return map[string]string{"DATABASE_URL": url}[name] }}
	args := []string{"import", "testdata/demo/items.csv", "--inventory", "demo", "--name", "Demo", "--region", "XA-01", "--currency", "EUR"}
	var env []string
	if db != "" {
		args = append(args, "--db", db)
	} else {
		env = []string{"DATABASE_URL=" + url}
	}
	if err := p.run(t.Context(), args); err != nil {
		t.Fatal(err)
	}
	address, process := started(t, binary, db, env...)
	k := &killed{t, address}
	body := longWork(t)
	want, _ := k.must(200, http.MethodPost, "/v1/grids", body, "Content-Type", "application/json")
	sum := sha256.Sum256(want)

	// A kill may fall between the end of a job and the beginning of the next. What must
	// hold holds after each kill; it is killed again until one fell into a job.
	const most = 20
	again := 0
	for round := range most {
		var jobs []string
		for n := range 6 {
			_, header := k.must(202, http.MethodPost, "/v1/jobs", `{"operation":"grid","request":`+body+`}`, "Content-Type", "application/json", "Idempotency-Key", fmt.Sprint(round, "-", n))
			jobs = append(jobs, header.Get("Location"))
		}
		for begun := time.Now(); ; time.Sleep(2 * time.Millisecond) {
			answer, _ := k.must(200, http.MethodGet, "/v1/jobs?state=running", "")
			if strings.Contains(string(answer), `"state":"running"`) {
				break
			}
			if time.Since(begun) > 30*time.Second {
				t.Fatal("no job was ever seen to run")
			}
		}
		if err := process.Kill(); err != nil {
			t.Fatal(err)
		}
		_, _ = process.Wait()
		killedAt := time.Now()

		k.address, process = started(t, binary, db, env...)
		for _, job := range jobs {
			if attempts := k.await(job, hex.EncodeToString(sum[:])); attempts > 1 {
				again++
			}
			if result, _ := k.must(200, http.MethodGet, job+"/result", ""); !bytes.Equal(result, want) {
				t.Errorf("%s differs from what the operation answers at once", job)
			}
		}
		t.Logf("kill %d: %d of %d jobs were begun anew; all were done %v after", round+1, again, len(jobs), time.Since(killedAt).Round(time.Second))
		if again > 0 {
			break
		}
	}
	if again == 0 {
		t.Errorf("none of %d kills fell into a job", most)
	}
	if err := process.Kill(); err != nil {
		t.Fatal(err)
	}
	_, _ = process.Wait()
}

// await waits until a job is done, with a result of the hash given, and gives the
// number of its attempts.
func (k *killed) await(job, hash string) int {
	k.t.Helper()
	for begun := time.Now(); ; time.Sleep(50 * time.Millisecond) {
		answer, _ := k.must(200, http.MethodGet, job, "")
		var j struct {
			State      inventory.JobState `json:"state"`
			Attempts   int                `json:"attempts"`
			ResultHash string             `json:"result_hash"`
		}
		if err := json.Unmarshal(answer, &j); err != nil {
			k.t.Fatal(err)
		}
		switch {
		case j.State == inventory.JobDone && j.ResultHash == hash:
			return j.Attempts
		case j.State.Ended(), time.Since(begun) > 2*time.Minute:
			k.t.Fatalf("%s", answer)
		}
	}
}
