package pace

import (
	"fmt"
	"time"
)

// Hours are a part of the day in which somebody is near, in local time, as minutes from midnight.
// They may span midnight. If both are equal, as in the zero value, they are all day.
type Hours struct{ FromMin, ToMin int }

const day = 24 * time.Hour

// Always reports whether the hours are all day.
func (h Hours) Always() bool { return h.FromMin == h.ToMin }

// Left is how long the hours last from t on; 0 outside them. Do not call it if [Hours.Always].
func (h Hours) Left(t time.Time) time.Duration {
	into := (ofDay(t) - time.Duration(h.FromMin)*time.Minute + day) % day
	return max(0, h.length()-into)
}

// until is how long it takes from t, outside the hours, until they begin.
func (h Hours) until(t time.Time) time.Duration {
	d := (time.Duration(h.FromMin)*time.Minute - ofDay(t) + day) % day
	return max(d, time.Second)
}

// length is how long the hours last.
func (h Hours) length() time.Duration {
	return (time.Duration(h.ToMin-h.FromMin)*time.Minute + day) % day
}

// ofDay is the local time of day.
func ofDay(t time.Time) time.Duration {
	local := t.Local()
	return time.Duration(local.Hour())*time.Hour + time.Duration(local.Minute())*time.Minute + time.Duration(local.Second())*time.Second
}

// String writes the hours as clock times: "07:00 to 22:30".
func (h Hours) String() string {
	return fmt.Sprintf("%02d:%02d to %02d:%02d", h.FromMin/60, h.FromMin%60, h.ToMin/60, h.ToMin%60)
}
