package main

import (
	"context"
	"encoding/hex"
	"errors"
	"fmt"
	"strconv"
	"strings"
	"text/tabwriter"
	"time"

	"github.com/spf13/cobra"

	"slabledger/inventory"
	"slabledger/service"
	"slabledger/service/report"
)

// access is how a service is used: by this machine alone, or by those who have a key.
type access struct {
	live      int  // keys that are accepted
	keyed     bool // there are keys, live or not
	openReads bool
}

// readAccess looks at the keys, and at what the operator says of reading without one.
func (p *program) readAccess(ctx context.Context, svc *service.Service, reads string) (a access, err error) {
	if reads == "" {
		reads = p.env("SLABLEDGER_READS")
	}
	switch reads {
	case "open":
		a.openReads = true
	case "closed", "":
	default:
		return a, fmt.Errorf("--reads (or SLABLEDGER_READS) is open or closed, not %q", reads)
	}
	now := time.Now()
	if a.keyed, err = svc.Keyed(ctx, now); err != nil {
		return a, err
	}
	keys, err := svc.Keys(ctx)
	for _, k := range keys {
		if k.State(inventory.FormatTime(now)) == inventory.KeyLive {
			a.live++
		}
	}
	return a, err
}

// String says who may use a service, for people.
func (a access) String() string {
	switch {
	case !a.keyed:
		return "No API keys are set, so it answers this machine only."
	case a.openReads:
		return fmt.Sprintf("%s Reading and computing need none; storing does.", a.count())
	}
	return fmt.Sprintf("%s Every request needs one.", a.count())
}

func (a access) count() string {
	if a.live == 1 {
		return "1 API key is live."
	}
	return fmt.Sprintf("%d API keys are live.", a.live)
}

func (p *program) keys() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "keys",
		Short: "Make, list and revoke API keys",
		Long: "Makes, lists and revokes the keys of the HTTP service. While there are none, the service\n" +
			"answers this machine only, and whoever is there may do everything. Once there is one,\n" +
			"every request needs one (see serve --reads), and the service may listen on other\n" +
			"addresses. This command works on the database itself, so it needs no key.",
	}
	cmd.AddCommand(p.keysCreate(), p.keysList(), p.keysRevoke())
	return cmd
}

func (p *program) keysCreate() *cobra.Command {
	var file string
	var asked service.NewKey
	cmd := &cobra.Command{
		Use:   "create --name NAME --role ROLE",
		Short: "Make a key and print its secret, once",
		Long: "Makes a key and prints its secret on standard output, alone, and what is to know about it\n" +
			"on standard error. The secret is not kept, so it cannot be shown again. A viewer reads and\n" +
			"computes; an analyst also uploads, edits and publishes; an admin also makes and revokes\n" +
			"keys and reads the journal. To replace a key, make the new one, and revoke the old one\n" +
			"when nothing uses it any more.",
		Example: "  slabledger keys create --name \"price feed\" --role analyst --expires 2027-06-30",
		Args:    cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			return p.with(cmd.Context(), file, func(svc *service.Service, where string) error {
				before, err := svc.Keys(cmd.Context())
				if err != nil {
					return err
				}
				k, secret, err := svc.CreateKey(cmd.Context(), asked, nil)
				if err != nil {
					return err
				}
				fmt.Fprintln(p.out, secret)
				fmt.Fprintf(p.errs, "%s is the key of %s (%s, %s) in %s.\nKeep the secret: it is not shown again. Send it as: Authorization: Bearer slk_…\n",
					k.ID, report.Printable(k.Name), k.Role, until(k), where)
				if len(before) == 0 {
					fmt.Fprintln(p.errs, "It is the first key: from now on every request to the service needs one (see serve --reads).")
				}
				return nil
			})
		},
	}
	dbFlag(cmd, &file)
	cmd.Flags().StringVar(&asked.Name, "name", "", "`name` of the program or person that will hold it (required)")
	cmd.Flags().StringVar(&asked.Role, "role", "", "`role`: viewer, analyst or admin (required)")
	cmd.Flags().StringVar(&asked.ExpiresAt, "expires", "", "last `day` in UTC on which it is accepted, such as 2027-06-30, or an instant (RFC 3339)")
	cmd.Flags().IntVar(&asked.Limits.Samples, "samples", 0, "most `samples` of an uncertainty in one request; without it, as many as the service allows")
	cmd.Flags().IntVar(&asked.Limits.Combinations, "combinations", 0, "most `combinations` of a grid, a search or a study of methods in one request")
	cmd.Flags().IntVar(&asked.Limits.Seconds, "seconds", 0, "most `seconds` of computing of a request or a job")
	for _, name := range []string{"name", "role"} {
		if err := cmd.MarkFlagRequired(name); err != nil {
			panic(err) // the flags stand above
		}
	}
	return cmd
}

func until(k inventory.Key) string {
	if k.ExpiresAt == "" {
		return "does not expire"
	}
	return "expires " + k.ExpiresAt
}

// limitsOf lists what a key may ask for in one request; "-" is what the service allows.
func limitsOf(k inventory.Key) string {
	var list []string
	for _, l := range []struct {
		most int
		of   string
	}{{k.Limits.Samples, "samples"}, {k.Limits.Combinations, "combinations"}, {k.Limits.Seconds, "s"}} {
		if l.most > 0 {
			list = append(list, fmt.Sprintf("%d %s", l.most, l.of))
		}
	}
	if list == nil {
		return "-"
	}
	return strings.Join(list, ", ")
}

func (p *program) keysList() *cobra.Command {
	var file string
	cmd := &cobra.Command{
		Use:   "list",
		Short: "List the keys, without their secrets",
		Long:  "Lists all keys, the oldest first, those that have ended too. Secrets are not kept.",
		Args:  cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			return p.with(cmd.Context(), file, func(svc *service.Service, _ string) error {
				keys, err := svc.Keys(cmd.Context())
				if err != nil {
					return err
				}
				table := tabwriter.NewWriter(p.out, 0, 0, 2, ' ', 0)
				fmt.Fprintln(table, "ID\tROLE\tSTATE\tCREATED\tEXPIRES\tREVOKED\tLIMITS\tNAME")
				now := inventory.FormatTime(time.Now())
				for _, k := range keys {
					fmt.Fprintf(table, "%s\t%s\t%s\t%s\t%s\t%s\t%s\t%s\n", k.ID, k.Role, k.State(now), second(k.CreatedAt), second(k.ExpiresAt), second(k.RevokedAt), limitsOf(k), report.Printable(k.Name))
				}
				return table.Flush()
			})
		},
	}
	dbFlag(cmd, &file)
	return cmd
}

// second cuts an instant to its second; - where there is none.
func second(at string) string {
	whole, _, found := strings.Cut(at, ".")
	if !found {
		return "-"
	}
	return whole + "Z"
}

func (p *program) keysRevoke() *cobra.Command {
	var file string
	cmd := &cobra.Command{
		Use:   "revoke ID",
		Short: "End a key",
		Long: "Ends a key: every process on the database refuses it within a second. The key stays in the\n" +
			"list. Where it was the last, nobody can use the service until another is made here.",
		Args: cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			return p.with(cmd.Context(), file, func(svc *service.Service, _ string) error {
				if err := svc.RevokeKey(cmd.Context(), args[0]); err != nil {
					return err
				}
				fmt.Fprintf(p.out, "%s is revoked.\n", report.Printable(args[0]))
				return nil
			})
		},
	}
	dbFlag(cmd, &file)
	return cmd
}

func (p *program) journal() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "journal",
		Short: "Check the journal of who changed what",
		Long: "Every change of what is stored has an entry in the journal, with a hash over itself and\n" +
			"the entry before it. Admins read it at GET /v1/journal.",
	}
	cmd.AddCommand(p.journalVerify())
	return cmd
}

func (p *program) journalVerify() *cobra.Command {
	var file, seen string
	cmd := &cobra.Command{
		Use:   "verify",
		Short: "Check that nobody has changed the journal",
		Long: "Checks every entry of the journal against its hash and the entry before it, names the first\n" +
			"one that was changed, and prints the number and hash of the last.\n\n" +
			"Whoever owns the database can cut off the newest entries or write a whole new journal.\n" +
			"That shows against a last entry that was noted elsewhere: give it with --seen.",
		Example: "  slabledger journal verify --seen 41:9f86d081884c7d659a2feaa0c55ad015a3bf4f1b2b0b822cd15d6c15b0f00a08",
		Args:    cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			noted, err := readSeen(seen)
			if err != nil {
				return err
			}
			return p.with(cmd.Context(), file, func(svc *service.Service, _ string) error {
				last, err := svc.VerifyJournal(cmd.Context(), noted)
				if err != nil {
					return err
				}
				if last.Number == 0 {
					fmt.Fprintln(p.out, "The journal is empty.")
					return nil
				}
				fmt.Fprintf(p.out, "The journal is whole. Its last entry, to note elsewhere, is\n%d:%s\n", last.Number, last.Hash)
				return nil
			})
		},
	}
	dbFlag(cmd, &file)
	cmd.Flags().StringVar(&seen, "seen", "", "`number:hash` of an entry that was the last when the journal was checked before")
	return cmd
}

func readSeen(text string) (e inventory.Entry, err error) {
	if text == "" {
		return e, nil
	}
	number, hash, _ := strings.Cut(text, ":")
	e.Hash = hash
	e.Number, err = strconv.Atoi(number)
	if raw, bad := hex.DecodeString(hash); err != nil || bad != nil || e.Number < 1 || len(raw) != 32 {
		return e, errors.New("--seen is the line that an earlier check printed: a number, a colon and 64 hexadecimal digits")
	}
	return e, nil
}
