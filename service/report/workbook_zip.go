package report

import (
	"archive/zip"
	"bytes"
	"compress/flate"
	"errors"
	"hash"
	"hash/crc32"
	"io"
	"io/fs"
	"slices"
	"strings"

	"github.com/xuri/excelize/v2"
)

// sortedZip writes the parts of a package in the order of their names and without a
// time, whatever the order in which they come: the library takes sheets from a map.
// It holds the parts packed.
type sortedZip struct {
	to    io.Writer
	parts []*packed
}

func newSortedZip(w io.Writer) excelize.ZipWriter { return &sortedZip{to: w} }

// packed is a part that is being compressed.
type packed struct {
	name string
	into bytes.Buffer
	pack *flate.Writer
	sum  hash.Hash32
	size uint64
}

func (p *packed) Write(b []byte) (int, error) {
	n, err := p.pack.Write(b)
	p.sum.Write(b[:n])  // which never fails
	p.size += uint64(n) //nolint:gosec // not negative
	return n, err
}

// Create begins a part.
func (z *sortedZip) Create(name string) (io.Writer, error) {
	p := &packed{name: name, sum: crc32.NewIEEE()}
	var err error
	p.pack, err = flate.NewWriter(&p.into, flate.DefaultCompression)
	z.parts = append(z.parts, p)
	return p, err
}

// AddFS is a promise of the interface that nothing here asks for.
func (z *sortedZip) AddFS(fs.FS) error { return errors.ErrUnsupported }

// Close writes all parts.
func (z *sortedZip) Close() error {
	slices.SortFunc(z.parts, func(a, b *packed) int { return strings.Compare(a.name, b.name) })
	w := zip.NewWriter(z.to)
	for _, p := range z.parts {
		if err := p.pack.Close(); err != nil {
			return err
		}
		part, err := w.CreateRaw(&zip.FileHeader{Name: p.name, Method: zip.Deflate, CRC32: p.sum.Sum32(), CompressedSize64: uint64(p.into.Len()), UncompressedSize64: p.size}) //nolint:gosec // not negative
		if err != nil {
			return err
		}
		if _, err := p.into.WriteTo(part); err != nil {
			return err
		}
	}
	return w.Close()
}
