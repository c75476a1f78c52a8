package job

import (
	"context"
	"errors"
	"os"
)

// Inspect reads the file once and returns what it will do on the machine, or a
// *Refusal with every reason why it cannot run. progress may be nil.
func Inspect(ctx context.Context, path string, o Options, progress func(done, total int64)) (*Plan, error) {
	return nil, errors.ErrUnsupported
}

// Reader yields the lines of one section. It is for one goroutine.
type Reader struct {
	f *os.File
}

// Open starts reading a section. It fails with [ErrChanged] when the file is not
// the one that was inspected.
func (p *Plan) Open(kind SectionKind) (*Reader, error) { return nil, errors.ErrUnsupported }

// Next appends the next line to dst and returns the result, or io.EOF after the
// last.
func (r *Reader) Next(dst []byte) ([]byte, error) { return dst, errors.ErrUnsupported }

// Close closes the file.
func (r *Reader) Close() error { return r.f.Close() }
