package config

import (
	"math"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
)

// Whatever the bytes, Parse returns settings within every bound or errors that
// have a place and a remedy, and the same ones each time.
func FuzzParse(f *testing.F) {
	files, err := filepath.Glob(filepath.Join(broken, "*.yaml"))
	if err != nil || len(files) == 0 {
		f.Fatal(files, err)
	}
	for _, name := range files {
		data, err := os.ReadFile(name)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(data)
	}
	f.Add(Example())
	f.Add([]byte(least))
	f.Fuzz(func(t *testing.T, data []byte) {
		s, err := Parse("x", data)
		again, errAgain := Parse("x", data)
		if diff := cmp.Diff(s, again); diff != "" || (err == nil) != (errAgain == nil) || err != nil && err.Error() != errAgain.Error() {
			t.Fatalf("not the same twice: %s %v %v", diff, err, errAgain)
		}
		if (s == nil) == (err == nil) {
			t.Fatalf("settings %v and error %v", s, err)
		}
		if err != nil {
			if len(err.(Errors)) <= maxErrors {
				checkPlaces(t, err, data)
			}
			return
		}
		inBounds(t, s)
	})
}

// inBounds asks of accepted settings what the machine's safety leans on.
func inBounds(t *testing.T, s *Settings) {
	t.Helper()
	for i := range keys {
		k := &keys[i]
		var v float64
		switch p := k.at(s).(type) {
		case *float64:
			v = *p
		case *time.Duration:
			v = p.Seconds() / k.unit.size
		case *int:
			v = float64(*p)
		default:
			continue
		}
		if k.choices == nil && !(v >= k.min*(1-1e-9) && v <= k.max*(1+1e-9)) && !(k.zeroOff && v == 0) || math.IsNaN(v) {
			t.Errorf("%s is %v", k.path(), v)
		}
	}
	m := s.Machine
	if m.Port == "" || m.BeltAxis != AxisY && m.BeltAxis != AxisZ || m.Forward < -1 || m.Forward > 1 || m.LiftAxis == m.BeltAxis {
		t.Errorf("machine %+v", m)
	}
	for _, a := range m.HomedAxes {
		if a == m.BeltAxis {
			t.Error("the belt axis would be homed")
		}
	}
	if s.Server.Listen != "" && !Loopback(s.Server.Listen) && s.Server.SecretFile == "" {
		t.Errorf("open to others at %s", s.Server.Listen)
	}
	h := s.Hold
	if none := h.EveryParts == 0 && h.EveryTravelMM == 0 && h.Every == 0; none != h.NoneAcknowledged {
		t.Errorf("hold %+v", h)
	}
}
