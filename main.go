// Slabledger compares concrete slabs that do the same job: their whole-life cost
// and their carbon, in a region, at its prices. It is an HTTP JSON service and a
// command line over the same engine.
package main

import (
	"bytes"
	"context"
	"embed"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"os"
	"os/signal"
	"path/filepath"
	"runtime"
	"runtime/debug"
	"strconv"
	"sync"
	"syscall"
	"time"

	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"
	"github.com/spf13/cobra"

	"slabledger/api"
	"slabledger/inventory"
	"slabledger/inventory/postgres"
	"slabledger/inventory/sqlite"
	"slabledger/service"
	"slabledger/service/report"
)

//go:embed openapi.yaml
var contractYAML []byte

//go:embed testdata/demo
var demoFiles embed.FS

// loadContract reads openapi.yaml, once: demo checks its request by it, then
// serves it.
var loadContract = sync.OnceValues(func() (*api.Contract, error) { return api.LoadContract(contractYAML) })

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	defer stop()
	p := &program{out: os.Stdout, errs: os.Stderr, env: os.Getenv}
	if err := p.run(ctx, os.Args[1:]); err != nil {
		os.Exit(1)
	}
}

// program is the command line with what it touches of the outside, so that
// tests start the same thing.
type program struct {
	out, errs io.Writer
	env       func(string) string
}

const (
	defaultDB   = "slabledger.db"
	defaultAddr = "127.0.0.1:8080"
	gcPercent   = 400
	memoryLimit = 150 << 20 // bytes beyond which the collector works harder
	maxRequest  = 2 << 20   // bytes of standard input; the contract refuses far less
)

func (p *program) run(ctx context.Context, args []string) error {
	root := &cobra.Command{
		Use:   "slabledger",
		Short: "Compare concrete slabs by whole-life cost and carbon",
		Long: "Slabledger compares concrete slabs that do the same job: their whole-life cost and\n" +
			"their carbon, in a region, at its prices. Every figure traces to a quantity, a\n" +
			"factor or price, and a source.\n\n" + service.Caution,
		SilenceUsage: true, SilenceErrors: true,
		Version: service.EngineVersion,
	}
	root.CompletionOptions.DisableDefaultCmd = true
	root.SetOut(p.out)
	root.SetErr(p.errs)
	root.AddCommand(p.demo(), p.serve(), p.migrate(), p.template(), p.imports(), p.export(), p.compare(), p.verify(), p.keys(), p.journal())
	root.SetArgs(args)
	err := root.ExecuteContext(ctx)
	if err != nil {
		p.complain(err)
	}
	return err
}

// complain prints an error with all its faults, for people. What it quotes may
// come from a hostile file, so nothing of it reaches the terminal as a control.
func (p *program) complain(err error) {
	say := func(format string, args ...any) {
		fmt.Fprintln(p.errs, report.Printable(fmt.Sprintf(format, args...)))
	}
	var rows *inventory.UploadError
	if !errors.As(err, &rows) {
		say("slabledger: %v", err)
		for _, f := range service.Faults(err) {
			say("  %s: %s (%s)", f.Pointer, f.Detail, f.Code)
		}
		return
	}
	say("slabledger: nothing was stored, since the file has %d to mend:", len(rows.Rows)+rows.More)
	for _, row := range rows.Rows {
		where, found := "the file", ""
		if row.Row > 0 {
			where = fmt.Sprintf("row %d", row.Row)
		}
		if row.Item != "" {
			where += " (" + row.Item + ")"
		}
		if row.Column != "" {
			where += ", " + row.Column
		}
		if row.Found != "" {
			found = fmt.Sprintf(", found %q", row.Found)
		}
		say("  %s: %s (%s)%s", where, row.Detail, row.Code, found)
	}
	if rows.More > 0 {
		say("  and %d more", rows.More)
	}
}

// open connects to PostgreSQL where DATABASE_URL is set and no file is named,
// else to the SQLite file.
func (p *program) open(ctx context.Context, file string) (inventory.Store, string, error) {
	if url := p.env("DATABASE_URL"); url != "" && file == "" {
		s, err := postgres.Open(ctx, url)
		return s, "PostgreSQL (DATABASE_URL)", err
	}
	if file == "" {
		file = defaultDB
	}
	s, err := sqlite.Open(ctx, file)
	return s, "SQLite " + file, err
}

// with opens the store, runs a use case over it and closes it.
func (p *program) with(ctx context.Context, file string, do func(*service.Service, string) error) (err error) {
	store, where, err := p.open(ctx, file)
	if err != nil {
		return fmt.Errorf("cannot open %s: %w", where, err)
	}
	defer func() { err = errors.Join(err, store.Close()) }()
	return do(service.New(store), where)
}

func dbFlag(cmd *cobra.Command, file *string) {
	cmd.Flags().StringVar(file, "db", "", "SQLite `file`; without it DATABASE_URL selects PostgreSQL, else ./"+defaultDB)
}

// workers are what a process does for jobs.
type workers struct {
	count  int
	limits service.JobLimits
}

// standardWorkers leave half of the processors to answers that are given at once.
func standardWorkers() workers {
	return workers{max(1, runtime.GOMAXPROCS(0)/2), service.StandardJobLimits()}
}

func (w *workers) flags(cmd *cobra.Command) {
	*w = standardWorkers()
	cmd.Flags().IntVar(&w.count, "workers", w.count, "`number` of jobs (long work) that run at once in this process; 0: it queues them, and other processes run them")
	cmd.Flags().DurationVar(&w.limits.Time, "job-timeout", w.limits.Time, "longest `time` that a job may take")
	cmd.Flags().IntVar(&w.limits.Open, "job-limit", w.limits.Open, "`number` of jobs of one key that may be queued or running")
	cmd.Flags().DurationVar(&w.limits.Kept, "job-kept", w.limits.Kept, "`time` for which a job and its result are kept after its end")
}

func (w *workers) check() error {
	if w.count < 0 || w.count > 64 || w.limits.Open < 1 || w.limits.Time < time.Second || w.limits.Time > 24*time.Hour || w.limits.Kept < time.Hour {
		return errors.New("--workers is from 0 to 64, --job-limit at least 1, --job-timeout from 1s to 24h, --job-kept at least 1h")
	}
	return nil
}

func (p *program) serve() *cobra.Command {
	var file, addr, reads string
	var hosts []string
	var jobs workers
	cmd := &cobra.Command{
		Use:   "serve",
		Short: "Run the HTTP service",
		Long: "Runs the HTTP service on SQLite, or on PostgreSQL where DATABASE_URL is set, until it is\ninterrupted. The database is migrated first.\n\n" +
			"It also works on jobs, which all processes on one database share; where one ends in the\nmiddle of a job, another begins that anew. See --workers.\n\n" +
			"While there are no API keys (see keys create), it listens on an address of this machine\n" +
			"alone. With a live key it listens on any; put a proxy with TLS before it, since keys travel\n" +
			"with each request. Reading and computing need a key too, unless --reads open lets everyone.",
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			if err := jobs.check(); err != nil {
				return err
			}
			return p.with(cmd.Context(), file, func(svc *service.Service, where string) error {
				use, err := p.readAccess(cmd.Context(), svc, reads)
				if err != nil {
					return err
				}
				listener, err := api.Listen(addr, use.live > 0)
				if errors.Is(err, syscall.EADDRINUSE) {
					return fmt.Errorf("%w; another program listens there: choose another port with --addr, such as --addr 127.0.0.1:8090", err)
				}
				if err != nil {
					return err
				}
				fmt.Fprintf(p.out, "Slabledger serves http://%s from %s. %s\n", listener.Addr(), where, use)
				return p.answer(cmd.Context(), svc, listener, slog.LevelInfo, api.Options{Hosts: hosts, OpenReads: use.openReads, Demo: demoFile("comparison.json")}, jobs)
			})
		},
	}
	dbFlag(cmd, &file)
	jobs.flags(cmd)
	cmd.Flags().StringVar(&addr, "addr", defaultAddr, "`address` to listen on; with no live API key one of this machine alone")
	cmd.Flags().StringVar(&reads, "reads", "", "open or closed: whether reading and computing need no key once there are keys (default closed; or SLABLEDGER_READS)")
	cmd.Flags().StringSliceVar(&hosts, "host", nil, "`name` besides localhost that requests may be addressed to, such as a proxy's; needed where no key is")
	return cmd
}

// answer serves, and works on jobs, until ctx ends; then both end.
func (p *program) answer(ctx context.Context, svc *service.Service, listener net.Listener, least slog.Level, options api.Options, jobs workers) (err error) {
	contract, err := loadContract()
	if err != nil {
		return err
	}
	// What a request allocates is gone with it: collecting less often costs some
	// memory (docs/benchmarks.md) and saves a fifth of the time. GOGC overrides.
	if p.env("GOGC") == "" {
		debug.SetGCPercent(gcPercent)
	}
	// A large upload is collected as it is read; what it takes is given back after.
	if p.env("GOMEMLIMIT") == "" {
		debug.SetMemoryLimit(memoryLimit)
	}
	options.Logger = slog.New(slog.NewJSONHandler(p.errs, &slog.HandlerOptions{Level: least}))
	svc.LimitJobs(jobs.limits)
	if jobs.count > 0 {
		working, stop := context.WithCancel(ctx)
		ended := make(chan error, 1)
		go func() {
			err := svc.Work(working, jobs.count, options.Logger)
			if err != nil {
				options.Logger.Error("no jobs are worked", "cause", err.Error())
			}
			ended <- err
		}()
		defer func() {
			stop()
			err = errors.Join(err, <-ended)
		}()
	}
	return api.New(svc, contract, options).Serve(ctx, listener)
}

func (p *program) migrate() *cobra.Command {
	var file string
	cmd := &cobra.Command{
		Use:   "migrate",
		Short: "Bring the database to the schema of this program",
		Long:  "Applies what is missing of the schema, under a lock, and ends. Every other command does\nthe same when it opens the database; a schema newer than the program is refused.",
		Args:  cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			return p.with(cmd.Context(), file, func(_ *service.Service, where string) error {
				fmt.Fprintf(p.out, "%s has the schema of this program.\n", where)
				return nil
			})
		},
	}
	dbFlag(cmd, &file)
	return cmd
}

func (p *program) compare() *cobra.Command {
	var file, out string
	var asTable, asBundle, asWorkbook, asReport bool
	cmd := &cobra.Command{
		Use:   "compare REQUEST.json",
		Short: "Compare the alternatives of a request, without a server",
		Long: "Reads the body of POST /v1/comparisons (- is standard input) and prints what the service\n" +
			"would answer, byte for byte; with --table, a table for people, as the demo does; with\n" +
			"--bundle, the answer of POST /v1/bundles, a file for verify and for docs/verify.py; with\n" +
			"--workbook, a workbook (XLSX) that computes the comparison by live formulas; with --report,\n" +
			"a page to print (HTML), which also says how sure the answer is.",
		Args: cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			body, err := readInput(args[0], maxRequest)
			if err != nil {
				return err
			}
			to := *p
			var kept bytes.Buffer
			if out != "" {
				to.out = &kept
			}
			if err := p.with(cmd.Context(), file, func(svc *service.Service, _ string) error {
				if asBundle {
					return to.printBundle(cmd.Context(), svc, body)
				}
				answer, err := compared(cmd.Context(), svc, body)
				if err != nil {
					return err
				}
				if asWorkbook {
					return report.Workbook(to.out, answer)
				}
				if asReport {
					grounds, err := svc.Grounds(cmd.Context(), body)
					if err != nil {
						return err
					}
					return report.Report(to.out, report.Reported{Request: body, Comparison: answer, Grounds: grounds})
				}
				return to.print(answer, asTable)
			}); err != nil || out == "" {
				return err
			}
			return os.WriteFile(out, kept.Bytes(), 0o644)
		},
	}
	dbFlag(cmd, &file)
	cmd.Flags().BoolVar(&asTable, "table", false, "print a table for people in place of the response of the API")
	cmd.Flags().BoolVar(&asBundle, "bundle", false, "print a bundle, which verify computes again")
	cmd.Flags().BoolVar(&asWorkbook, "workbook", false, "print a workbook (XLSX) with live formulas")
	cmd.Flags().BoolVar(&asReport, "report", false, "print a report (HTML) to print on A4")
	cmd.Flags().StringVar(&out, "out", "", "`file` to write to in place of standard output")
	cmd.MarkFlagsMutuallyExclusive("table", "bundle", "workbook", "report")
	return cmd
}

// readInput reads a file, or standard input where its name is a dash.
func readInput(name string, most int64) ([]byte, error) {
	if name == "-" {
		return io.ReadAll(io.LimitReader(os.Stdin, most))
	}
	return os.ReadFile(name)
}

// printBundle writes the bundle of a comparison.
func (p *program) printBundle(ctx context.Context, svc *service.Service, comparison []byte) error {
	contract, err := loadContract()
	if err != nil {
		return err
	}
	accepted, refused, err := contract.CheckBody("compare", comparison)
	if err != nil {
		return err
	}
	bundle, err := svc.BundleOf(ctx, accepted, refused)
	if err != nil {
		return err
	}
	text, err := service.Encode(bundle)
	if err != nil {
		return err
	}
	_, err = p.out.Write(text)
	return err
}

// errNoMatch is a bundle that does not come out as it states.
var errNoMatch = errors.New("the bundle does not match")

func (p *program) verify() *cobra.Command {
	var file string
	cmd := &cobra.Command{
		Use:   "verify BUNDLE.json",
		Short: "Compute a bundle again and name the first difference",
		Long: "Reads a bundle (- is standard input), as compare --bundle prints it and POST /v1/bundles\n" +
			"answers it, computes its request again and prints what POST /v1/verify would answer. With\n" +
			"--db, or DATABASE_URL, from the pinned version of the inventory where it is there; else\n" +
			"from the rows of the bundle alone. It fails where anything differs.",
		Args: cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			text, err := readInput(args[0], service.MaxBundleBytes+1)
			if err != nil {
				return err
			}
			contract, err := loadContract()
			if err != nil {
				return err
			}
			if file == "" && p.env("DATABASE_URL") == "" {
				v, err := service.VerifyAlone(cmd.Context(), text, contract.CheckRequest)
				return p.printVerification(v, err)
			}
			return p.with(cmd.Context(), file, func(svc *service.Service, _ string) error {
				v, err := svc.Verify(cmd.Context(), text, contract.CheckRequest)
				return p.printVerification(v, err)
			})
		},
	}
	cmd.Flags().StringVar(&file, "db", "", "SQLite `file` with the inventory; without it DATABASE_URL selects PostgreSQL, else the rows of the bundle are taken")
	return cmd
}

func (p *program) printVerification(v *service.Verification, err error) error {
	if err != nil {
		return err
	}
	text, err := service.Encode(v)
	if err != nil {
		return err
	}
	if _, err := p.out.Write(text); err != nil || v.Match {
		return err
	}
	return fmt.Errorf("%w: %s: %s", errNoMatch, v.FirstDifference.Pointer, v.FirstDifference.Reason)
}

func compared(ctx context.Context, svc *service.Service, body []byte) (*service.ComparisonResponse, error) {
	contract, err := loadContract()
	if err != nil {
		return nil, err
	}
	accepted, refused, err := contract.CheckBody("compare", body)
	if err != nil {
		return nil, err
	}
	return svc.Compare(ctx, accepted, refused...)
}

func (p *program) demo() *cobra.Command {
	var file, addr string
	var once, asJSON bool
	cmd := &cobra.Command{
		Use:   "demo",
		Short: "Compare three slabs in an invented region, then serve it",
		Long: "Loads an invented region into a private database in a temporary folder (or --db),\n" +
			"compares a plain slab, a fibre slab and a fibre slab with staged mixing over 40 years,\n" +
			"prints the comparison and what it comes to, and serves it until it is interrupted.",
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) (err error) {
			if file == "" {
				folder, failed := os.MkdirTemp("", "slabledger-demo-")
				if failed != nil {
					return failed
				}
				defer func() { err = errors.Join(err, os.RemoveAll(folder)) }()
				file = filepath.Join(folder, defaultDB)
			}
			return p.with(cmd.Context(), file, func(svc *service.Service, where string) error {
				request, err := p.showDemo(cmd.Context(), svc, asJSON)
				if err != nil || once {
					return err
				}
				use, err := p.readAccess(cmd.Context(), svc, "")
				if err != nil {
					return err
				}
				listener, err := listenFrom(addr, cmd.Flags().Changed("addr"))
				if err != nil {
					return err
				}
				// With --json standard output is the response alone.
				say := p.out
				if asJSON {
					say = p.errs
				}
				fmt.Fprintf(say, "\nServing http://%s from %s until Ctrl-C. %s\n"+
					"Open that address in a browser; the reference of the API is http://%s/docs\n", listener.Addr(), where, use, listener.Addr())
				return p.answer(cmd.Context(), svc, listener, slog.LevelWarn, api.Options{OpenReads: use.openReads, Demo: request}, standardWorkers())
			})
		},
	}
	cmd.Flags().StringVar(&file, "db", "", "SQLite `file` to use in place of a temporary one")
	cmd.Flags().StringVar(&addr, "addr", defaultAddr, "loopback `address`; by default port 8080 or the next free one")
	cmd.Flags().BoolVar(&once, "once", false, "print the comparison and end")
	cmd.Flags().BoolVar(&asJSON, "json", false, "print the response of the API in place of the table")
	return cmd
}

// demoFile is a file of the demo region.
func demoFile(name string) []byte {
	b, err := demoFiles.ReadFile("testdata/demo/" + name)
	if err != nil {
		panic(err) // embedded above
	}
	return b
}

// showDemo publishes the demo region, prints its comparison, and gives its request.
func (p *program) showDemo(ctx context.Context, svc *service.Service, asJSON bool) ([]byte, error) {
	slug, meta, err := inventory.ReadMeta(demoFile("inventory.json"))
	if err != nil {
		return nil, err
	}
	v, _, err := svc.Import(ctx, slug, meta, bytes.NewReader(demoFile("items.csv")), "demo region")
	if err != nil {
		return nil, err
	}
	// In a file of the user's own, the demo may not be version 1.
	pinned := fmt.Sprintf("%s@%d", v.Slug, v.Number)
	body := bytes.Replace(demoFile("comparison.json"), []byte(`"demo@1"`), []byte(strconv.Quote(pinned)), 1)
	answer, err := compared(ctx, svc, body)
	if err != nil {
		return nil, err
	}
	if err := p.print(answer, !asJSON); err != nil || asJSON {
		return body, err
	}
	asked, err := json.Marshal(map[string]jsontext.Value{"comparison": body})
	if err != nil {
		return nil, err
	}
	conclusions, err := svc.Conclude(ctx, asked)
	if err != nil {
		return nil, err
	}
	fmt.Fprintln(p.out)
	return body, report.Conclusions(p.out, conclusions)
}

// print writes a comparison as a table or as the response of the API.
func (p *program) print(answer *service.ComparisonResponse, asTable bool) error {
	if asTable {
		return report.Table(p.out, answer)
	}
	text, err := service.Encode(answer)
	if err != nil {
		return err
	}
	_, err = p.out.Write(text)
	return err
}

// listenFrom listens on addr or, unless the user chose it, on the next free port
// after it.
func listenFrom(addr string, chosen bool) (net.Listener, error) {
	listener, err := api.Listen(addr, false)
	host, text, bad := net.SplitHostPort(addr)
	port, notNumber := strconv.Atoi(text)
	if err == nil || chosen || bad != nil || notNumber != nil {
		return listener, err
	}
	const tries = 50
	for next := port + 1; next <= port+tries; next++ {
		if listener, err = api.Listen(net.JoinHostPort(host, strconv.Itoa(next)), false); err == nil {
			return listener, nil
		}
	}
	return nil, err
}
