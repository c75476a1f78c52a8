package access

import (
	"errors"
	"fmt"
	"io"
	"net/http"
	"os"
	"time"
)

// Bounds on a body that may take long.
const (
	slowIdle         = 20 * time.Second // without a byte
	slowGrace        = 30 * time.Second // before the next bound counts
	slowMinBytesPerS = 1000             // bytes in a second, on the average
	slowAnswer       = 10 * time.Second // to answer after the last byte
)

// ErrSlow: a body arrives too slowly.
var ErrSlow = fmt.Errorf("the file arrives too slowly: send something every %.0f s, and %d bytes a second on average", slowIdle.Seconds(), slowMinBytesPerS)

// SlowBody returns the body of a request that may take longer than the server's bounds, as long
// as it keeps coming; reading fails with [ErrSlow] when it does not.
func SlowBody(w http.ResponseWriter, r *http.Request) io.ReadCloser {
	return &slowBody{ReadCloser: r.Body, control: http.NewResponseController(w), began: time.Now()}
}

type slowBody struct {
	io.ReadCloser
	control *http.ResponseController
	began   time.Time
	bytes   int64
}

// Read implements io.Reader.
func (s *slowBody) Read(p []byte) (int, error) {
	now := time.Now()
	if d := now.Sub(s.began); d > slowGrace && float64(s.bytes) < d.Seconds()*slowMinBytesPerS {
		return 0, ErrSlow
	}
	_ = s.control.SetReadDeadline(now.Add(slowIdle)) // not possible without a connection, as in a test
	_ = s.control.SetWriteDeadline(now.Add(slowIdle + slowAnswer))
	n, err := s.ReadCloser.Read(p)
	s.bytes += int64(n)
	if errors.Is(err, os.ErrDeadlineExceeded) {
		err = ErrSlow
	}
	return n, err
}
