package inventory

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"time"
)

// Entry is one line of the journal. Entries are numbered without gaps and each
// carries a hash over itself and the one before it, so that a change of any shows.
type Entry struct {
	Number int    // 1, 2, 3 …
	Change        // Retry is nil
	Hash   string // hex SHA-256, see NextEntry
}

// NextEntry is the entry of a change behind the last one of a journal; the zero
// Entry stands for the last of an empty one. Its hash is the SHA-256 of the RFC 8785
// canonical JSON of
//
//	{number, at, actor, action, target, request_id, before, after, previous}
//
// where previous is the hash of the entry before, empty for the first. It fails where
// the change names no actor, action or target, where its time is none, or where a
// text is not valid UTF-8.
func NextEntry(last Entry, c Change) (Entry, error) {
	if c.Actor == "" || c.Action == "" || c.Target == "" {
		return Entry{}, fmt.Errorf("a change needs an actor, an action and a target, and has %q, %q, %q", c.Actor, c.Action, c.Target)
	}
	at, err := time.Parse(time.RFC3339Nano, c.At)
	if err != nil {
		return Entry{}, fmt.Errorf("a change's time: %w", err)
	}
	c.At, c.Retry = FormatTime(at), nil
	e := Entry{Number: last.Number + 1, Change: c}
	e.Hash, err = e.chained(last.Hash)
	return e, err
}

// chained is the hash that an entry has behind another of the hash given.
func (e Entry) chained(previous string) (string, error) {
	text, err := canonical(struct {
		Number    int    `json:"number"`
		At        string `json:"at"`
		Actor     string `json:"actor"`
		Action    string `json:"action"`
		Target    string `json:"target"`
		RequestID string `json:"request_id"`
		Before    string `json:"before"`
		After     string `json:"after"`
		Previous  string `json:"previous"`
	}{e.Number, e.At, e.Actor, e.Action, e.Target, e.RequestID, e.Before, e.After, previous})
	if err != nil {
		return "", err
	}
	sum := sha256.Sum256(text)
	return hex.EncodeToString(sum[:]), nil
}

// JournalError names the first entry at which a journal is not what was written.
type JournalError struct {
	Number int // of the entry that should stand there
	Reason string
}

func (e *JournalError) Error() string {
	return fmt.Sprintf("the journal was changed at entry %d: %s", e.Number, e.Reason)
}

// VerifyJournal checks that entries follow the last one before them, or begin the
// journal where that is the zero Entry: numbered without gaps, each with its hash.
// The error is a *JournalError.
//
// Whoever may write to the tables past every trigger can cut off the newest entries,
// or write a whole new chain. That shows only against a number and hash of the
// journal that was kept elsewhere.
func VerifyJournal(last Entry, entries []Entry) error {
	for _, e := range entries {
		number := last.Number + 1
		if e.Number != number {
			return &JournalError{number, fmt.Sprintf("entry %d stands in its place", e.Number)}
		}
		hash, err := e.chained(last.Hash)
		if err != nil || hash != e.Hash {
			return &JournalError{number, "its hash is not that of what it says behind the entry before it"}
		}
		last = e
	}
	return nil
}
