package main

import (
	"bytes"
	"crypto/sha256"
	"database/sql"
	"encoding/hex"
	"errors"
	"io"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"
)

// status asks a service with a key, or without one where it is empty.
func status(t *testing.T, url, secret string) int {
	t.Helper()
	r, err := http.NewRequestWithContext(t.Context(), http.MethodGet, url, nil)
	if err != nil {
		t.Fatal(err)
	}
	if secret != "" {
		r.Header.Set("Authorization", "Bearer "+secret)
	}
	resp, err := http.DefaultClient.Do(r)
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	if _, err := io.Copy(io.Discard, resp.Body); err != nil {
		t.Fatal(err)
	}
	return resp.StatusCode
}

// newKey makes a key, whose secret is all that standard output has.
func newKey(t *testing.T, db, role string, more ...string) (secret, id string) {
	t.Helper()
	out, errs, err := run(t, append([]string{"keys", "create", "--db", db, "--name", "the " + role, "--role", role}, more...)...)
	if err != nil || !regexp.MustCompile(`^slk_[0-9a-f]{72}\n$`).MatchString(out) {
		t.Fatalf("%v\n%s%s", err, out, errs)
	}
	id = regexp.MustCompile(`key-[0-9a-f]{12}`).FindString(errs)
	if id == "" || strings.Contains(errs, out[4:20]) {
		t.Fatalf("%s", errs)
	}
	return strings.TrimSpace(out), id
}

// The life of a key, from the command line: made, used, listed, revoked, and all of it
// in the journal.
func TestKeysOnTheCommandLine(t *testing.T) {
	db := filepath.Join(t.TempDir(), "test.db")
	base := serve(t, "serve", "--db", db, "--addr", "127.0.0.1:0")
	if got := status(t, base+"/v1/inventories", ""); got != http.StatusOK {
		t.Errorf("without keys: %d", got)
	}
	viewer, id := newKey(t, db, "viewer", "--expires", "2099-12-31", "--samples", "20000", "--seconds", "5")
	admin, _ := newKey(t, db, "admin")
	// A service that runs already knows of the first key a second later.
	for deadline := time.Now().Add(3 * time.Second); status(t, base+"/v1/inventories", "") != http.StatusUnauthorized; time.Sleep(20 * time.Millisecond) {
		if time.Now().After(deadline) {
			t.Fatal("the running service does not know of the first key")
		}
	}
	for path, want := range map[string][2]int{"/v1/inventories": {200, 200}, "/v1/keys": {403, 200}, "/v1/journal": {403, 200}, "/healthz": {200, 200}} {
		if got := [2]int{status(t, base+path, viewer), status(t, base+path, admin)}; got != want {
			t.Errorf("%s for viewer and admin: %v, want %v", path, got, want)
		}
	}
	list := mustRun(t, "keys", "list", "--db", db)
	if !strings.Contains(list, id+"  viewer  live") || !strings.Contains(list, "2100-01-01T00:00:00Z") || !strings.Contains(list, "20000 samples, 5 s") || strings.Count(list, "\n") != 3 || strings.Contains(list, viewer[4:20]) {
		t.Errorf("%s", list)
	}
	if out := mustRun(t, "keys", "revoke", id, "--db", db); !strings.Contains(out, id) {
		t.Errorf("%s", out)
	}
	for deadline := time.Now().Add(3 * time.Second); status(t, base+"/v1/inventories", viewer) != http.StatusUnauthorized; time.Sleep(20 * time.Millisecond) {
		if time.Now().After(deadline) {
			t.Fatal("the running service takes a revoked key")
		}
	}
	if list := mustRun(t, "keys", "list", "--db", db); !strings.Contains(list, id+"  viewer  revoked") {
		t.Errorf("%s", list)
	}
	if out := mustRun(t, "journal", "verify", "--db", db); !strings.Contains(out, "whole") || !regexp.MustCompile(`(?m)^3:[0-9a-f]{64}$`).MatchString(out) {
		t.Errorf("%s", out)
	}
}

func TestKeysRefusesWhatCannotBe(t *testing.T) {
	db := filepath.Join(t.TempDir(), "test.db")
	for _, c := range []struct {
		args []string
		says []string
	}{
		{[]string{"keys", "create", "--name", "a"}, []string{"role"}},
		{[]string{"keys", "create", "--name", "a\x1b[2J", "--role", "root", "--expires", "soon"}, []string{"/name", "/role", "/expires_at", "viewer, analyst, admin"}},
		{[]string{"keys", "create", "--name", "a", "--role", "viewer", "--expires", "2020-01-01"}, []string{"is past"}},
		{[]string{"keys", "create", "--name", "a", "--role", "viewer", "--seconds", "-1"}, []string{"/limits/seconds"}},
		{[]string{"keys", "revoke", "key-0"}, []string{"key-0"}},
		{[]string{"keys", "revoke"}, []string{"1 arg"}},
		{[]string{"journal", "verify", "--seen", "1"}, []string{"--seen"}},
		{[]string{"serve", "--reads", "ajar", "--addr", "127.0.0.1:0"}, []string{"open or closed"}},
	} {
		out, errs, err := run(t, append(c.args, "--db", db)...)
		if err == nil || out != "" {
			t.Errorf("%v: %v %q", c.args, err, out)
		}
		for _, want := range c.says {
			if !strings.Contains(errs, want) || strings.ContainsRune(errs, 0x1b) {
				t.Errorf("%v does not say %q: %q", c.args, want, errs)
			}
		}
	}
	if out := mustRun(t, "journal", "verify", "--db", db); !strings.Contains(out, "empty") {
		t.Errorf("%s", out)
	}
}

// With a live key, and only then, the service listens on every address.
func TestServeOtherAddressesWithKeys(t *testing.T) {
	db := filepath.Join(t.TempDir(), "test.db")
	secret, id := newKey(t, db, "viewer")
	base := serve(t, "serve", "--addr", "0.0.0.0:0", "--db", db)
	_, port, err := net.SplitHostPort(strings.TrimPrefix(base, "http://"))
	if err != nil {
		t.Fatal(err)
	}
	for _, host := range []string{"127.0.0.1", "127.0.0.2"} {
		url := "http://" + net.JoinHostPort(host, port) + "/v1/inventories"
		if got := [2]int{status(t, url, secret), status(t, url, "")}; got != [2]int{200, 401} {
			t.Errorf("%s with and without a key: %v", host, got)
		}
	}
	mustRun(t, "keys", "revoke", id, "--db", db)
	if _, errs, err := run(t, "serve", "--addr", "0.0.0.0:0", "--db", db); err == nil || !strings.Contains(errs, "this machine only") {
		t.Errorf("with a revoked key: %v %s", err, errs)
	}
}

// What is open to read is told, and does not open what stores.
func TestServeOpenReads(t *testing.T) {
	db := filepath.Join(t.TempDir(), "test.db")
	newKey(t, db, "admin")
	base := serve(t, "serve", "--addr", "127.0.0.1:0", "--reads", "open", "--db", db)
	for path, want := range map[string]int{"/v1/inventories": 200, "/metrics": 200, "/v1/keys": 401} {
		if got := status(t, base+path, ""); got != want {
			t.Errorf("%s: %d, want %d", path, got, want)
		}
	}
	var out, errs bytes.Buffer
	p := &program{out: &out, errs: &errs, env: func(name string) string { return map[string]string{"SLABLEDGER_READS": "wide"}[name] }}
	if err := p.run(t.Context(), []string{"serve", "--addr", "127.0.0.1:0", "--db", db}); err == nil || !strings.Contains(errs.String(), "SLABLEDGER_READS") {
		t.Errorf("%v %s", err, errs.String())
	}
}

// The line that says who may use the service.
func TestWhoMayUseIt(t *testing.T) {
	for want, a := range map[string]access{
		"No API keys are set, so it answers this machine only.":               {openReads: true},
		"1 API key is live. Every request needs one.":                         {keyed: true, live: 1},
		"0 API keys are live. Every request needs one.":                       {keyed: true},
		"2 API keys are live. Reading and computing need none; storing does.": {keyed: true, live: 2, openReads: true},
	} {
		if got := a.String(); got != want {
			t.Errorf("got %q, want %q", got, want)
		}
	}
}

// An entry that the owner of the database edits is named, and a tail that is cut off
// shows against what was noted.
func TestJournalVerifyFindsAChange(t *testing.T) {
	db := filepath.Join(t.TempDir(), "test.db")
	for range 4 {
		newKey(t, db, "viewer")
	}
	seen := regexp.MustCompile(`4:[0-9a-f]{64}`).FindString(mustRun(t, "journal", "verify", "--db", db))
	mustRun(t, "journal", "verify", "--db", db, "--seen", seen)
	change := func(statements string) {
		raw, err := sql.Open("sqlite", db)
		if err != nil {
			t.Fatal(err)
		}
		defer raw.Close()
		if _, err := raw.ExecContext(t.Context(), statements); err != nil {
			t.Fatal(err)
		}
	}
	change(`DROP TRIGGER journal_delete; DELETE FROM journal WHERE number = 4`)
	mustRun(t, "journal", "verify", "--db", db) // by itself it is whole
	if _, errs, err := run(t, "journal", "verify", "--db", db, "--seen", seen); err == nil || !strings.Contains(errs, "entry 4") {
		t.Errorf("cut off: %v %s", err, errs)
	}
	change(`DROP TRIGGER journal_update; UPDATE journal SET actor = 'nobody' WHERE number = 2`)
	if _, errs, err := run(t, "journal", "verify", "--db", db); err == nil || !strings.Contains(errs, "entry 2") {
		t.Errorf("edited: %v %s", err, errs)
	}
}

// The secret of a key that has been used is nowhere in the files of the database, which
// have the key's name and the hash of the secret.
func TestNoSecretIsStored(t *testing.T) {
	db := filepath.Join(t.TempDir(), "test.db")
	base := serve(t, "serve", "--db", db, "--addr", "127.0.0.1:0")
	secret, id := newKey(t, db, "analyst")
	if got := status(t, base+"/v1/inventories", secret); got != http.StatusOK {
		t.Fatalf("with the key: %d", got)
	}
	var stored []byte
	for _, file := range []string{db, db + "-wal"} {
		text, err := os.ReadFile(file)
		if err != nil && !errors.Is(err, os.ErrNotExist) {
			t.Fatal(err)
		}
		stored = append(stored, text...)
	}
	hash := sha256.Sum256([]byte(secret))
	if !bytes.Contains(stored, []byte(id)) || !bytes.Contains(stored, []byte(hex.EncodeToString(hash[:]))) {
		t.Error("the key or the hash of its secret is not there, so nothing was looked through")
	}
	if bare := strings.TrimPrefix(secret, "slk_"); bytes.Contains(stored, []byte(bare)) || bytes.Contains(stored, []byte(bare[:32])) {
		t.Error("the database has the secret of a key")
	}
}
