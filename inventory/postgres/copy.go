package postgres

import (
	"context"
	"io"
	"strings"

	"github.com/jackc/pgx/v5"
)

// copyRows copies n rows into a table in the text format of COPY. The driver's own
// CopyFrom makes values of Go into the binary format, one by one by their types, which
// takes as long as all else that the program does to publish; items are text already.
func copyRows(ctx context.Context, tx pgx.Tx, table string, columns []string, n int, row func(r *copyRow, n int)) error {
	_, err := tx.Conn().PgConn().CopyFrom(ctx, &copyReader{rows: n, row: row},
		"COPY "+pgx.Identifier{table}.Sanitize()+" ("+strings.Join(columns, ", ")+") FROM STDIN")
	return err
}

// copyReader is the rows as they are read.
type copyReader struct {
	rows int
	row  func(r *copyRow, n int)
	at   int
	text copyRow
	sent int // bytes of text
}

// Read implements io.Reader.
func (r *copyReader) Read(p []byte) (int, error) {
	if r.sent == len(r.text) {
		r.text, r.sent = r.text[:0], 0
		for ; r.at < r.rows && len(r.text) < len(p); r.at++ {
			r.row(&r.text, r.at)
			r.text[len(r.text)-1] = '\n' // in place of the last separator
		}
		if len(r.text) == 0 {
			return 0, io.EOF
		}
	}
	n := copy(p, r.text[r.sent:])
	r.sent += n
	return n, nil
}

// copyRow is rows in the text format ("COPY", "File Formats" in the PostgreSQL
// manual): values are separated by tabs, no value is \N, and what separates is escaped.
type copyRow []byte

// null appends no value.
func (r *copyRow) null() { *r = append(*r, '\\', 'N', '\t') }

// value appends a value, in the form in which the column's type is written.
func (r *copyRow) value(text string) {
	row := *r
	for {
		at := strings.IndexAny(text, "\\\t\n\r")
		if at < 0 {
			break
		}
		row = append(append(row, text[:at]...), '\\', escapes[text[at]])
		text = text[at+1:]
	}
	*r = append(append(row, text...), '\t')
}

var escapes = [...]byte{'\\': '\\', '\t': 't', '\n': 'n', '\r': 'r'}
