package storetest

import (
	"bufio"
	"context"
	"fmt"
	"os"
	"os/exec"
	"strconv"
	"testing"
	"time"

	"slabledger/inventory"
)

// The test binary runs itself again with these variables to have a process that
// can be killed.
const (
	envTask = "STORETEST_TASK" // one of those below
	envDSN  = "STORETEST_DSN"
)

const (
	taskOpen    = "open"    // open the store once, which migrates it
	taskPublish = "publish" // publish version after version until killed
	taskJob     = "job"     // begin a job and work on it until killed
)

// killSlug is the inventory that the publishing process adds to.
const killSlug = "kill"

// Main is what TestMain of a store's package calls: it runs the tests, or the
// task for which the test binary was started.
func Main(m *testing.M, db Database) {
	task := os.Getenv(envTask)
	if task == "" {
		os.Exit(m.Run())
	}
	if err := work(task, db); err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
	os.Exit(0)
}

func work(task string, db Database) error {
	ctx := context.Background()
	store, err := db.Open(ctx, os.Getenv(envDSN))
	if err != nil {
		return err
	}
	if task == taskOpen {
		return store.Close()
	}
	if task == taskJob {
		return workJob(ctx, store)
	}
	newest := 0
	if versions, err := store.Versions(ctx, killSlug); err == nil {
		newest = len(versions)
	}
	for n := newest + 1; ; n++ {
		fmt.Println("begin", n)
		v := version(killSlug, n, 300)
		if err := store.Publish(ctx, v, Publication(v)); err != nil {
			return err
		}
		fmt.Println("done", n) // os.Stdout is not buffered
	}
}

// child starts the test binary for a task.
func child(t *testing.T, task, dsn string) *exec.Cmd {
	t.Helper()
	self, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command(self)
	cmd.Env = append(os.Environ(), envTask+"="+task, envDSN+"="+dsn)
	return cmd
}

// killDuringPublish starts a publisher, kills it some time after it has begun a
// version, and returns the highest number that it reported as published.
func killDuringPublish(t *testing.T, dsn string, after time.Duration) (acknowledged int) {
	t.Helper()
	cmd := child(t, taskPublish, dsn)
	cmd.Stderr = os.Stderr
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	lines := bufio.NewScanner(out)
	lines.Split(bufio.ScanWords)
	if !lines.Scan() { // the first "begin"
		t.Fatalf("the publisher ended before it began: %v", cmd.Wait())
	}
	timer := time.AfterFunc(after, func() { _ = cmd.Process.Kill() }) // SIGKILL
	defer timer.Stop()
	word := lines.Text()
	for lines.Scan() {
		if word == "done" {
			if acknowledged, err = strconv.Atoi(lines.Text()); err != nil {
				t.Fatal(err)
			}
		}
		word = lines.Text()
	}
	if err := cmd.Wait(); err == nil {
		t.Fatal("the publisher ended by itself")
	}
	return acknowledged
}

func version(slug string, number, items int) inventory.Version {
	v := inventory.Version{Slug: slug, Number: number, Note: fmt.Sprintf("number %d", number), CreatedAt: "2026-02-01T08:00:00.000001Z",
		Meta: inventory.Meta{Name: "Sablon Coast", Region: "XA", Currency: "EUR", Invented: true}}
	for n := range items {
		item := inventory.Item{Code: fmt.Sprintf("item-%05d", n), Category: inventory.Water, Name: fmt.Sprintf("Item %d of version %d", n, number),
			Unit: "kg", Density: null("1000")}
		if n%10 == 9 {
			item.Category, item.Unit = inventory.Operation, "h"
			item.Recipe = []inventory.RecipePart{{Item: "item-00001", Amount: dec("0.5")}, {Item: "item-00000", Amount: dec("2")}}
		}
		v.Items = append(v.Items, item)
	}
	return hashed(v)
}

// hashed completes a version with its hash.
func hashed(v inventory.Version) inventory.Version {
	hash, err := inventory.Hash(v.Meta, v.Items)
	if err != nil {
		panic(err) // only if a test was written wrongly
	}
	v.Hash = hash
	return v
}
