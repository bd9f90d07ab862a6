package main

import (
	"errors"
	"fmt"
	"io"
	"os"

	"github.com/spf13/cobra"

	"slabledger/inventory"
	"slabledger/service"
	"slabledger/service/report"
)

// template writes an empty table of items.
func (p *program) template() *cobra.Command {
	return &cobra.Command{
		Use:   "template FILE",
		Short: "Write an empty table of items to fill in",
		Long:  "Writes an empty table of items: a CSV, or a workbook with a page that explains the columns,\nby the ending of the file (.csv or .xlsx; - is a CSV on standard output). The column notes\nis for you and is not read.",
		Args:  cobra.ExactArgs(1),
		RunE: func(_ *cobra.Command, args []string) error {
			return p.writeTable(args[0], func(w io.Writer, form inventory.Form) error { return inventory.WriteTemplate(w, form) })
		},
	}
}

// writeTable writes a new file in the form of its ending.
func (p *program) writeTable(name string, write func(io.Writer, inventory.Form) error) (err error) {
	if name == "-" {
		return write(p.out, inventory.FormCSV)
	}
	form := inventory.FormOf(name)
	if form != inventory.FormCSV && form != inventory.FormXLSX {
		return fmt.Errorf("%s: the file ends in .csv or .xlsx", name)
	}
	f, err := os.OpenFile(name, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o644)
	if err != nil {
		return err // what is there is not overwritten
	}
	defer func() { err = errors.Join(err, f.Close()) }()
	return write(f, form)
}

// export writes the items of a version.
func (p *program) export() *cobra.Command {
	var file string
	var restricted bool
	cmd := &cobra.Command{
		Use:   "export SLUG@NUMBER FILE",
		Short: "Write the items of a published version to a table",
		Long: "Writes the items of a version to a new .csv or .xlsx file (- is a CSV on standard output),\n" +
			"which can be imported again and has the same hash. Numbers whose licence is\n" +
			"no-redistribution are left out unless --restricted asks for them.",
		Args: cobra.ExactArgs(2),
		RunE: func(cmd *cobra.Command, args []string) error {
			ref, ok := inventory.ParseRef(args[0])
			if !ok {
				return fmt.Errorf("%q is no version; write it like demo@1", args[0])
			}
			return p.with(cmd.Context(), file, func(svc *service.Service, _ string) error {
				v, err := svc.Version(cmd.Context(), ref.Slug, ref.Number)
				if err != nil {
					return err
				}
				items := v.Items
				if !restricted {
					var withheld []inventory.Withheld
					if items, withheld, err = inventory.Redistributable(items); err != nil {
						return err
					}
					for _, w := range withheld {
						fmt.Fprintf(p.errs, "withheld: numbers of %s (no-redistribution)\n", w.Item)
					}
				}
				return p.writeTable(args[1], func(w io.Writer, form inventory.Form) error {
					if form == inventory.FormXLSX {
						return inventory.WriteXLSX(w, items)
					}
					return inventory.WriteCSV(w, items)
				})
			})
		},
	}
	dbFlag(cmd, &file)
	cmd.Flags().BoolVar(&restricted, "restricted", false, "with the numbers that may not be passed on")
	return cmd
}

// imports reads a table and publishes it.
func (p *program) imports() *cobra.Command {
	var file, slug, note, separator, options string
	var dryRun bool
	var o inventory.UploadOptions
	cmd := &cobra.Command{
		Use:   "import FILE --inventory SLUG",
		Short: "Publish a table of items as the next version of an inventory",
		Long: "Reads a table of items (.csv, .xlsx or .json; - is a CSV on standard input), reports every\n" +
			"bad row and, if there is none, publishes it as the next version: all of it, or nothing.\n" +
			"--dry-run reports the same and stores nothing. A new inventory needs --name, --region and\n" +
			"--currency; a known one keeps them unless they are given again. The same content again\n" +
			"makes no new version.\n\n" +
			"--options names a JSON file with exchange rates and price indices:\n" +
			"  {\"rates\": [{\"from\": \"NOK\", \"to\": \"EUR\", \"rate\": \"0.086\", \"date\": \"2026-01-14\", \"source\": \"…\"}],\n" +
			"   \"indices\": [{\"category\": \"cement\", \"series\": \"…\", \"points\": {\"2025-01\": \"120\", \"2026-01\": \"132\"}}],\n" +
			"   \"base_month\": \"2026-01\"}",
		Example: "  slabledger import prices.xlsx --inventory north --name \"North, 2026 prices\" --region NO-18 --currency NOK",
		Args:    cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			if options != "" {
				text, err := os.ReadFile(options)
				if err != nil {
					return err
				}
				if err := service.ReadUploadOptions(text, &o); err != nil {
					return err
				}
			}
			var known bool
			if o.Separator, known = separators[separator]; !known {
				return fmt.Errorf("--separator %q: comma, semicolon or tab", separator)
			}
			return p.with(cmd.Context(), file, func(svc *service.Service, _ string) error {
				meta, exists, err := svc.Meta(cmd.Context(), slug)
				if err != nil {
					return err
				}
				o.Form = inventory.FormCSV
				if args[0] != "-" {
					o.Form = inventory.FormOf(args[0])
				}
				// A JSON file may say itself what a new inventory is about.
				stated := o.Form == inventory.FormJSON && o.Meta == (inventory.Meta{})
				if !exists && !stated && (o.Meta.Name == "" || o.Meta.Region == "" || o.Meta.Currency == "") {
					return fmt.Errorf("there is no inventory %q yet; a new one needs --name, --region and --currency", slug)
				}
				for flag, keep := range map[string]func(){
					"name": func() { o.Meta.Name = meta.Name }, "region": func() { o.Meta.Region = meta.Region }, "extends": func() { o.Meta.Extends = meta.Extends },
					"currency": func() { o.Meta.Currency = meta.Currency }, "invented": func() { o.Meta.Invented = meta.Invented },
				} {
					if !cmd.Flags().Changed(flag) {
						keep()
					}
				}
				items := io.Reader(os.Stdin)
				if args[0] != "-" {
					f, err := os.Open(args[0])
					if err != nil {
						return err
					}
					defer f.Close() //nolint:errcheck // only read
					items = f
				}
				in, err := svc.ImportTable(cmd.Context(), slug, o, items, note, dryRun)
				if err != nil {
					return err
				}
				p.tellImport(in, dryRun)
				return nil
			})
		},
	}
	dbFlag(cmd, &file)
	cmd.Flags().StringVar(&slug, "inventory", "", "`slug` of the inventory (required)")
	cmd.Flags().StringVar(&o.Meta.Name, "name", "", "name of the inventory")
	cmd.Flags().StringVar(&o.Meta.Region, "region", "", "ISO 3166-1 or 3166-2 `code`")
	cmd.Flags().StringVar(&o.Meta.Currency, "currency", "", "ISO 4217 `code` of all prices")
	cmd.Flags().StringVar(&o.Meta.Extends, "extends", "", "published `version` whose items stand below these, such as demo@1")
	cmd.Flags().BoolVar(&o.Meta.Invented, "invented", false, "the numbers are made up for demonstration")
	cmd.Flags().BoolVar(&o.DecimalComma, "decimal-comma", false, "the file writes 0,5 for a half")
	cmd.Flags().StringVar(&separator, "separator", "", "comma, semicolon or tab between the cells of a CSV; found from its header where absent")
	cmd.Flags().StringVar(&o.Sheet, "sheet", "", "`name` of the sheet of a workbook; the first where absent")
	cmd.Flags().StringVar(&options, "options", "", "JSON `file` with exchange rates and price indices")
	cmd.Flags().BoolVar(&dryRun, "dry-run", false, "report, and store nothing")
	cmd.Flags().StringVar(&note, "note", "", "what changed, in your words")
	if err := cmd.MarkFlagRequired("inventory"); err != nil {
		panic(err) // the flag stands above
	}
	return cmd
}

var separators = map[string]rune{"": 0, "comma": ',', "semicolon": ';', "tab": '\t'}

// tellImport says what was read otherwise than literally, what is doubtful, what
// changed and what came of it.
func (p *program) tellImport(in *service.Imported, dryRun bool) {
	say := func(format string, args ...any) {
		fmt.Fprintln(p.out, report.Printable(fmt.Sprintf(format, args...)))
	}
	for _, n := range in.Notes {
		more := ""
		if n.More > 0 {
			more = fmt.Sprintf("; the same for %d more", n.More)
		}
		say("note: row %d, %s: %s (%s)%s", n.Row, n.Column, n.Detail, n.Code, more)
	}
	for _, d := range in.Doubts {
		say("doubtful: %s, %s: %s", d.Item, d.Column, d.Detail)
	}
	if in.Against.Number > 0 {
		say("against %s: %d added, %d removed, %d changed", in.Against, len(in.Changes.Added), len(in.Changes.Removed), len(in.Changes.Changed))
		for _, c := range in.Changes.Changed {
			for _, f := range c.Fields {
				percent := ""
				if f.Percent.Valid {
					percent = fmt.Sprintf(" (%s %%)", f.Percent.Decimal)
				}
				say("  %s, %s: %q -> %q%s", c.Code, f.Column, f.Before, f.After, percent)
			}
		}
	}
	switch v := in.Version; {
	case dryRun:
		say("nothing was stored (--dry-run): %d items read", in.Rows)
	case !in.Published:
		say("%s has this content already; nothing was published.", v.Ref())
	default:
		say("published %s: %d items, hash %s", v.Ref(), len(v.Items), v.Hash)
	}
}
