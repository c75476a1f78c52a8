package job

import (
	"errors"
	"fmt"
	"strings"
)

// ErrChanged: the file is not the one that was inspected, or was written while it was
// inspected. Wrapped by [Inspect], [Plan.Open] and [Reader.Next].
var ErrChanged = errors.New("the job file has changed")

// Refusal is a file that cannot be run, with every reason found.
type Refusal struct {
	Path     string
	Problems []Finding
}

// Error returns one line a problem: "file:line: text; remedy".
func (r *Refusal) Error() string {
	var b strings.Builder
	for i, p := range r.Problems {
		if i > 0 {
			b.WriteByte('\n')
		}
		b.WriteString(r.Path)
		if p.Line > 0 {
			fmt.Fprintf(&b, ":%d", p.Line)
		}
		fmt.Fprintf(&b, ": %s", p.Text)
		if p.Remedy != "" {
			fmt.Fprintf(&b, "; %s", p.Remedy)
		}
	}
	return b.String()
}
