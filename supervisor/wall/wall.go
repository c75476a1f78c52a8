// Package wall provides clocks that are set while they run, for tests: the time of day jumps, and
// the monotonic time does not, as when the kernel's clock is set.
package wall

import (
	"sync/atomic"
	"time"
	"unsafe"
)

// Clock is a wall clock that can be set. The zero Clock is right.
type Clock struct {
	by atomic.Int64 // seconds by which it is ahead
}

// Now is the time that the clock shows, with the monotonic time of the process. In a bubble of
// testing/synctest, where times have none, it is that of the bubble: compare the result of Now with
// nothing else.
func (c *Clock) Now() time.Time { return shifted(time.Now(), c.by.Load()) }

// SetBy makes the clock run ahead by this much, to the second.
func (c *Clock) SetBy(ahead time.Duration) { c.by.Store(int64(ahead / time.Second)) }

// SetTo makes the clock show a time now.
func (c *Clock) SetTo(t time.Time) { c.SetBy(t.Sub(time.Now().Round(0))) }

// A time with a monotonic part has in its first word bit 63, seconds since 1885 in bits 30 to 62 and nanoseconds below, and
// in its second the monotonic nanoseconds (comment at type Time in the source of package time).
type raw struct {
	wall uint64
	ext  int64
	loc  *time.Location
}

const (
	has, low  = 1 << 63, 30
	since1885 = (85*365 + 20) * 86400 // seconds to 1970, 20 of the years being leap years
)

// shifted moves the wall part of a time by seconds.
func shifted(t time.Time, seconds int64) time.Time {
	r := (*raw)(unsafe.Pointer(&t))
	if r.wall&has == 0 {
		r.wall, r.ext = has|uint64(t.Unix()+since1885)<<low|uint64(t.Nanosecond()), t.UnixNano()
	}
	r.wall += uint64(seconds) << low
	if r.wall&has == 0 {
		panic("a clock shows no time before 1885 or after 2157")
	}
	return t
}
