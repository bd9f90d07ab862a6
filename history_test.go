package main

import (
	"encoding/json"
	"fmt"
	"io"
	"math/rand/v2"
	"net/http"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"slabledger/inventory/storetest"
)

// Eight clients publish, edit one draft together and read, while the server is killed
// and started again. What they were told is then held against what is there: no
// acknowledged publication is lost or made twice, each revision of the draft is one
// client's, a name of a request is one version, and what a client reads never goes
// back. The order of what is stored rests on constraints of the database, not on its
// isolation.
func TestHistoryOfManyClients(t *testing.T) {
	binary := built(t)
	t.Run("sqlite", func(t *testing.T) { history(t, binary, filepath.Join(t.TempDir(), "test.db")) })
	t.Run("postgres", func(t *testing.T) { history(t, binary, "", "DATABASE_URL="+storetest.Postgres(t)) })
}

// observer is what all clients have in common.
type observer struct {
	t       *testing.T
	address atomic.Value // string; changes with each start
	stop    atomic.Bool

	mu        sync.Mutex
	versions  map[string]int // by the name of the publication
	revisions map[int]string // of the shared draft, by who was told
	unknown   int            // edits whose answer was lost
	told      map[int]int    // by status
}

// send sends a request until it is answered, where it has a name; without one it may
// be that it was done and not answered, which is status 0.
func (o *observer) send(method, path, body string, headers ...string) (int, []byte, http.Header) {
	named := strings.Contains(strings.Join(headers, " "), "Idempotency-Key")
	for {
		r, err := http.NewRequest(method, o.address.Load().(string)+path, strings.NewReader(body))
		if err != nil {
			o.t.Error(err)
			return 0, nil, nil
		}
		r.Header.Set("Content-Type", "application/json")
		for i := 0; i < len(headers); i += 2 {
			r.Header.Set(headers[i], headers[i+1])
		}
		resp, err := http.DefaultClient.Do(r)
		if err == nil {
			answer, failed := io.ReadAll(resp.Body)
			_ = resp.Body.Close()
			if err = failed; err == nil && resp.StatusCode != http.StatusServiceUnavailable {
				o.mu.Lock()
				o.told[resp.StatusCode]++
				o.mu.Unlock()
				return resp.StatusCode, answer, resp.Header
			}
		}
		if !named {
			return 0, nil, nil
		}
		time.Sleep(5 * time.Millisecond)
	}
}

func history(t *testing.T, binary, db string, env ...string) {
	kills := 12
	if os.Getenv("CI") != "true" {
		kills = 4
	}
	o := &observer{t: t, versions: map[string]int{}, revisions: map[int]string{}, told: map[int]int{}}
	address, process := started(t, binary, db, env...)
	o.address.Store(address)
	const meta = `{"meta":{"name":"History","region":"XA","currency":"EUR","invented":true}}`
	_, _, header := o.send(http.MethodPost, "/v1/inventories/shared/drafts", meta, "Idempotency-Key", "shared")
	shared := header.Get("Location")

	var clients sync.WaitGroup
	for n := range 8 {
		clients.Go(func() { o.client(n, shared, meta) })
	}
	random := rand.New(rand.NewPCG(3, 5))
	for range kills {
		time.Sleep(time.Duration(100+random.IntN(400)) * time.Millisecond)
		if err := process.Kill(); err != nil {
			t.Fatal(err)
		}
		_, _ = process.Wait()
		address, process = started(t, binary, db, env...)
		o.address.Store(address)
	}
	for until := time.Now().Add(time.Minute); !o.enough() && time.Now().Before(until); {
		time.Sleep(50 * time.Millisecond) // a slow machine
	}
	o.stop.Store(true)
	clients.Wait()
	o.check(shared)
	if err := process.Kill(); err != nil {
		t.Fatal(err)
	}
	_, _ = process.Wait()
}

// enough tells whether what was done can show anything.
func (o *observer) enough() bool {
	o.mu.Lock()
	defer o.mu.Unlock()
	return len(o.versions) >= 8 && len(o.revisions) >= 8
}

// client does one thing after the other until it is stopped.
func (o *observer) client(n int, shared, meta string) {
	newest := 0
	for step := 0; !o.stop.Load(); step++ {
		name := fmt.Sprintf("c%d-%d", n, step)
		o.publish(name, meta)
		o.editShared(name, shared)
		status, answer, _ := o.send(http.MethodGet, "/v1/inventories/history", "")
		if status != 200 {
			continue
		}
		var seen struct{ Newest struct{ Number int } }
		if err := json.Unmarshal(answer, &seen); err != nil {
			o.t.Error(err)
		}
		if seen.Newest.Number < newest {
			o.t.Errorf("%s: version %d was read after %d", name, seen.Newest.Number, newest)
		}
		newest = seen.Newest.Number
	}
}

// publish makes a version of its own, and asks again where another was first.
func (o *observer) publish(name, meta string) {
	status, answer, header := o.send(http.MethodPost, "/v1/inventories/history/drafts", meta, "Idempotency-Key", "draft-"+name)
	if status != 201 {
		o.t.Errorf("%s: no draft: %d %s", name, status, answer)
		return
	}
	draft := header.Get("Location")
	item := fmt.Sprintf(`{"code":"water","category":"water","name":"Water of %s","unit":"kg"}`, name)
	if status, answer, _ = o.send(http.MethodPut, draft+"/items/water", item, "If-Match", `"1"`); status == 0 {
		// Done or not: the draft tells.
		for status == 0 {
			status, answer, _ = o.send(http.MethodGet, draft, "")
		}
		if strings.Contains(string(answer), `"revision":1,`) {
			return // this client gives the draft up
		}
	}
	for try := range 100 {
		key := fmt.Sprintf("publish-%s-%d", name, try)
		status, answer, header = o.send(http.MethodPost, draft+"/publication", `{"note":"`+name+`"}`, "If-Match", `"2"`, "Idempotency-Key", key)
		if status == 409 {
			continue
		}
		number, err := strconv.Atoi(header.Get("Location")[strings.LastIndex(header.Get("Location"), "/")+1:])
		if status != 201 || err != nil {
			o.t.Errorf("%s: %d %s", name, status, answer)
			return
		}
		o.mu.Lock()
		o.versions[name] = number
		o.mu.Unlock()
		return
	}
	o.t.Errorf("%s: another was first a hundred times", name)
}

// editShared changes the draft that all change.
func (o *observer) editShared(name, shared string) {
	status, answer, _ := o.send(http.MethodGet, shared, "")
	if status != 200 {
		return
	}
	var draft struct{ Revision int }
	if err := json.Unmarshal(answer, &draft); err != nil {
		o.t.Error(err)
		return
	}
	item := fmt.Sprintf(`{"code":"item-%s","category":"water","name":"Of %s","unit":"kg"}`, name, name)
	status, answer, _ = o.send(http.MethodPut, shared+"/items/item-"+name, item, "If-Match", fmt.Sprintf(`"%d"`, draft.Revision))
	o.mu.Lock()
	defer o.mu.Unlock()
	switch status {
	case 200:
		if other, twice := o.revisions[draft.Revision]; twice {
			o.t.Errorf("revision %d was changed by %s and by %s", draft.Revision, other, name)
		}
		o.revisions[draft.Revision] = name
	case 0:
		o.unknown++
	case 412:
	default:
		o.t.Errorf("%s: %d %s", name, status, answer)
	}
}

// check holds what clients were told against what is there.
func (o *observer) check(shared string) {
	t := o.t
	numbers := map[int]string{}
	for name, n := range o.versions {
		if other, twice := numbers[n]; twice {
			t.Errorf("version %d is %s's and %s's", n, other, name)
		}
		numbers[n] = name
	}
	for n, name := range numbers {
		_, answer, _ := o.send(http.MethodGet, fmt.Sprintf("/v1/inventories/history/versions/%d/items/water", n), "")
		if !strings.Contains(string(answer), `"Water of `+name+`"`) {
			t.Errorf("version %d, published by %s: %s", n, name, answer)
		}
	}
	_, answer, _ := o.send(http.MethodGet, "/v1/inventories/history", "")
	var newest struct{ Newest struct{ Number int } }
	if err := json.Unmarshal(answer, &newest); err != nil || newest.Newest.Number != len(numbers) {
		t.Errorf("%d publications were acknowledged, the newest version is %s (%v)", len(numbers), answer, err)
	}
	_, answer, _ = o.send(http.MethodGet, shared, "")
	var draft struct {
		Revision int
		Items    struct{ Own int }
	}
	if err := json.Unmarshal(answer, &draft); err != nil {
		t.Fatal(err)
	}
	edits := draft.Revision - 1
	if edits < len(o.revisions) || edits > len(o.revisions)+o.unknown || draft.Items.Own != edits {
		t.Errorf("%d edits were acknowledged and %d not answered; the draft is at revision %d with %d items", len(o.revisions), o.unknown, draft.Revision, draft.Items.Own)
	}
	if !o.enough() {
		t.Errorf("too little was done to show anything: %d versions, %d edits", len(numbers), len(o.revisions))
	}
	t.Logf("%d versions, %d edits, %d unanswered; answers by status: %v", len(numbers), len(o.revisions), o.unknown, o.told)
}
