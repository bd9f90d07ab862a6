package main

import (
	"bytes"
	"fmt"
	"io"
	"math/rand/v2"
	"net/http"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/go-json-experiment/json"

	"slabledger/inventory"
	"slabledger/inventory/storetest"
)

// A server that is killed with kill -9 at any point of an upload and a publication
// leaves the state before or the state after, whole, on both stores: every version
// hashes to what it says, a draft has all rows of an upload or none, what was
// acknowledged is there, and the same request sent again after a restart makes no
// second version.
func TestKilledServerLeavesAllOrNothing(t *testing.T) {
	binary := built(t)
	t.Run("sqlite", func(t *testing.T) {
		killRounds(t, binary, filepath.Join(t.TempDir(), "test.db"))
	})
	t.Run("postgres", func(t *testing.T) {
		killRounds(t, binary, "", "DATABASE_URL="+storetest.Postgres(t))
	})
}

const (
	killPoints = 50
	killedRows = 400 // of an upload
)

// An upload of 50,000 rows is in the database for a second or more, and is cut off
// there: the draft has all rows or none.
func TestKilledUploadOfFiftyThousandRows(t *testing.T) {
	if os.Getenv("CI") != "true" {
		t.Skip("takes most of a minute; CI runs it")
	}
	binary := built(t)
	t.Run("sqlite", func(t *testing.T) { killUploads(t, binary, filepath.Join(t.TempDir(), "test.db")) })
	t.Run("postgres", func(t *testing.T) { killUploads(t, binary, "", "DATABASE_URL="+storetest.Postgres(t)) })
}

func killUploads(t *testing.T, binary, db string, env ...string) {
	const rounds, rows = 4, 50_000
	random := rand.New(rand.NewPCG(13, 17))
	var lived time.Duration
	for round := range rounds {
		address, process := started(t, binary, db, env...)
		k := &killed{t, address}
		k.begin(round)
		begun, done := time.Now(), make(chan int, 1)
		go func() {
			status, _, _ := k.ask(http.MethodPut, acknowledged.draft+"/items", rowsOf(round, rows), "Content-Type", "text/csv", "If-Match", `"1"`)
			done <- status
		}()
		status := 0
		if round == 0 { // how long it takes when nothing is killed
			status = <-done
			lived = time.Since(begun)
		} else {
			time.Sleep(time.Duration(random.Int64N(int64(lived))))
		}
		if err := process.Kill(); err != nil {
			t.Fatal(err)
		}
		if _, err := process.Wait(); err != nil {
			t.Fatal(err)
		}
		if round > 0 {
			status = <-done
		}
		if round == 0 && status != http.StatusOK {
			t.Fatalf("an upload that nobody killed: %d", status)
		}
		address, process = started(t, binary, db, env...)
		answer, _ := (&killed{t, address}).must(http.StatusOK, http.MethodGet, acknowledged.draft, "")
		var draft struct {
			Revision int `json:"revision"`
			Items    struct {
				Own int `json:"own"`
			} `json:"items"`
		}
		if err := json.Unmarshal(answer, &draft); err != nil {
			t.Fatal(err)
		}
		none, all := draft.Revision == 1 && draft.Items.Own == 0, draft.Revision == 2 && draft.Items.Own == rows
		if !none && !all || status == http.StatusOK && !all {
			t.Errorf("round %d: answered %d, and the draft is at revision %d with %d rows", round, status, draft.Revision, draft.Items.Own)
		}
		t.Logf("round %d: answered %d, %d rows", round, status, draft.Items.Own)
		if err := process.Kill(); err != nil {
			t.Fatal(err)
		}
		_, _ = process.Wait()
	}
}

// killed is a client of a server that does not live long.
type killed struct {
	t       testing.TB
	address string
}

// ask sends a request; the status is 0 where the server was gone before it answered.
func (k *killed) ask(method, path, body string, headers ...string) (status int, answer []byte, header http.Header) {
	k.t.Helper()
	r, err := http.NewRequest(method, k.address+path, strings.NewReader(body))
	if err != nil {
		k.t.Fatal(err)
	}
	for i := 0; i < len(headers); i += 2 {
		r.Header.Set(headers[i], headers[i+1])
	}
	resp, err := http.DefaultClient.Do(r)
	if err != nil {
		return 0, nil, nil
	}
	defer resp.Body.Close()
	if answer, err = io.ReadAll(resp.Body); err != nil {
		return 0, nil, nil
	}
	return resp.StatusCode, answer, resp.Header
}

func (k *killed) must(status int, method, path, body string, headers ...string) ([]byte, http.Header) {
	k.t.Helper()
	got, answer, header := k.ask(method, path, body, headers...)
	if got != status {
		k.t.Fatalf("%s %s: %d, want %d: %.500s", method, path, got, status, answer)
	}
	return answer, header
}

func killRounds(t *testing.T, binary, db string, env ...string) {
	rounds := killPoints
	if os.Getenv("CI") != "true" {
		rounds = 8 // a minute less to wait for
	}
	random := rand.New(rand.NewPCG(7, 11))
	lived, published := 300*time.Millisecond, 0
	cut := map[string]int{}
	for round := range rounds {
		address, process := started(t, binary, db, env...)
		k := &killed{t, address}
		if round > 0 {
			published = k.check(round-1, published, cut)
		}
		k.begin(round)
		begun, done := time.Now(), make(chan bool, 1)
		go func() { done <- k.uploadAndPublish(round) }()
		var complete bool
		if round == 0 { // how long it takes when nothing is killed
			complete = <-done
			lived = time.Since(begun)
		} else {
			time.Sleep(time.Duration(random.Int64N(int64(lived))))
		}
		if err := process.Kill(); err != nil {
			t.Fatal(err)
		}
		if _, err := process.Wait(); err != nil {
			t.Fatal(err)
		}
		if round > 0 {
			complete = <-done
		}
		if round == 0 && !complete {
			t.Fatal("an upload that nobody killed did not work")
		}
	}
	address, process := started(t, binary, db, env...)
	k := &killed{t, address}
	k.check(rounds-1, published, cut)
	if err := process.Kill(); err != nil {
		t.Fatal(err)
	}
	_, _ = process.Wait()
	t.Logf("killed with the upload: absent %d, whole %d; with the publication: absent %d, whole %d, acknowledged %d", cut["rows none"], cut["rows all"], cut["version none"], cut["version there"], cut["acknowledged"])
	if rounds == killPoints && (cut["rows none"] == 0 || cut["rows all"] == 0 || cut["version there"] == 0) {
		t.Error("the kills did not fall on both sides of what they were to cut")
	}
}

// rowsOf is the upload of a round: every price tells it.
func rowsOf(round, rows int) string {
	var b strings.Builder
	b.WriteString("code,category,name,unit,price,price_currency,price_date,price_basis,price_tax,price_source_kind,price_source_title\n")
	for n := range rows {
		fmt.Fprintf(&b, "item-%03d,water,Item,kg,%d.%d,EUR,2026-01-31,delivered,excluded,invented,Invented\n", n, round, n+1)
	}
	return b.String()
}

// acknowledged remembers what the server has confirmed before it was killed.
var acknowledged struct {
	draft     string
	upload    bool
	published bool
}

// begin makes the draft of a round.
func (k *killed) begin(round int) {
	k.t.Helper()
	_, header := k.must(201, http.MethodPost, "/v1/inventories/killed/drafts", `{"meta":{"name":"Killed","region":"XA","currency":"EUR","invented":true}}`,
		"Content-Type", "application/json", "Idempotency-Key", "begin-"+strconv.Itoa(round))
	acknowledged.draft, acknowledged.upload, acknowledged.published = header.Get("Location"), false, false
}

// uploadAndPublish does what is cut off.
func (k *killed) uploadAndPublish(round int) bool {
	status, _, _ := k.ask(http.MethodPut, acknowledged.draft+"/items", rowsOf(round, killedRows), "Content-Type", "text/csv", "If-Match", `"1"`)
	acknowledged.upload = status == 200
	if status != 200 {
		return false
	}
	status, _, _ = k.publish(round)
	acknowledged.published = status == 201
	return status == 201
}

func (k *killed) publish(round int) (int, []byte, http.Header) {
	return k.ask(http.MethodPost, acknowledged.draft+"/publication", `{"note":"round `+strconv.Itoa(round)+`"}`,
		"Content-Type", "application/json", "If-Match", `"2"`, "Idempotency-Key", "publish-"+strconv.Itoa(round))
}

// check looks at what a round has left, finishes it by sending its requests again,
// and gives the number of versions that there are now.
func (k *killed) check(round, before int, cut map[string]int) int {
	k.t.Helper()
	versions := k.versions()
	there := len(versions) == before+1
	switch {
	case len(versions) != before && !there:
		k.t.Fatalf("round %d: %d versions after %d", round, len(versions), before)
	case acknowledged.published && !there:
		k.t.Fatalf("round %d: an acknowledged version is lost", round)
	case there:
		cut["version there"]++
	default:
		cut["version none"]++
	}
	if acknowledged.published {
		cut["acknowledged"]++
	}
	if !there { // then the draft is there, with all rows or none
		answer, _ := k.must(200, http.MethodGet, acknowledged.draft, "")
		var draft struct {
			Revision int `json:"revision"`
			Items    struct {
				Own int `json:"own"`
			} `json:"items"`
		}
		if err := json.Unmarshal(answer, &draft); err != nil {
			k.t.Fatal(err)
		}
		switch {
		case draft.Revision == 1 && draft.Items.Own == 0 && !acknowledged.upload:
			cut["rows none"]++
			k.must(200, http.MethodPut, acknowledged.draft+"/items", rowsOf(round, killedRows), "Content-Type", "text/csv", "If-Match", `"1"`)
		case draft.Revision == 2 && draft.Items.Own == killedRows:
			cut["rows all"]++
		default:
			k.t.Fatalf("round %d: a draft between two states: %s", round, answer)
		}
	}
	// The client never saw the answer, or has lost it: it sends the same again.
	status, answer, _ := k.publish(round)
	if status != 201 {
		k.t.Fatalf("round %d: the same publication again: %d %s", round, status, answer)
	}
	if versions = k.versions(); len(versions) != before+1 {
		k.t.Fatalf("round %d: %d versions after %d and one publication", round, len(versions), before)
	}
	k.verify(versions[0], round)
	return len(versions)
}

type killedVersion struct {
	Number int    `json:"number"`
	Hash   string `json:"hash"`
}

func (k *killed) versions() []killedVersion {
	k.t.Helper()
	var list struct {
		Versions []killedVersion `json:"versions"`
	}
	status, answer, _ := k.ask(http.MethodGet, "/v1/inventories/killed/versions?limit=200", "")
	if status == 404 {
		return nil
	}
	if err := json.Unmarshal(answer, &list); err != nil || status != 200 {
		k.t.Fatalf("%d %s", status, answer)
	}
	for n, v := range list.Versions {
		if v.Number != len(list.Versions)-n {
			k.t.Fatalf("a gap in the numbers: %+v", list.Versions)
		}
	}
	return list.Versions
}

// verify computes the hash of a version from what is read of it.
func (k *killed) verify(v killedVersion, round int) {
	k.t.Helper()
	answer, _ := k.must(200, http.MethodGet, fmt.Sprintf("/v1/inventories/killed/versions/%d/export", v.Number), "", "Accept", "application/json")
	var export struct {
		Slug   string           `json:"slug"`
		Number int              `json:"number"`
		Hash   string           `json:"hash"`
		Meta   inventory.Meta   `json:"meta"`
		Items  []inventory.Item `json:"items"`
	}
	if err := json.Unmarshal(answer, &export); err != nil {
		k.t.Fatal(err)
	}
	hash, err := inventory.Hash(export.Meta, export.Items)
	want := fmt.Sprintf("%d.1", round)
	first := slices.IndexFunc(export.Items, func(i inventory.Item) bool { return i.Code == "item-000" })
	if err != nil || hash != v.Hash || len(export.Items) != killedRows || first < 0 || !bytes.Contains(answer, []byte(`"`+want+`"`)) {
		k.t.Fatalf("round %d: version %d has %d items and hashes to %s, says %s (%v)", round, v.Number, len(export.Items), hash, v.Hash, err)
	}
}
