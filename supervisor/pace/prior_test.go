package pace

import (
	"encoding/json"
	"math"
	"testing"
	"time"
)

// TestLearnedIsValid: what is learned can always be begun with, even after cycles that nothing foretold.
func TestLearnedIsValid(t *testing.T) {
	for _, took := range [][]time.Duration{{time.Nanosecond, 1000 * time.Hour, 0}, {time.Hour, time.Hour, time.Hour, 90 * time.Hour}, {0, 0, 0}} {
		var m Model
		m.Begin(Wait{time.Minute, 0.3, false}, DefaultPrior())
		var ended time.Duration
		for i, d := range took {
			ended += d
			m.Add(Cycle{Began: after(ended - d), Ended: after(ended), Planned: time.Minute, Hot: i == 0})
		}
		q := m.Learned()
		if !q.Valid() {
			t.Errorf("after %v: %+v", took, q)
		}
		var next Model
		next.Begin(Wait{time.Minute, 0.3, false}, q)
		next.Add(Cycle{Began: after(0), Ended: after(time.Minute)})
		if d := next.Takes(3, after(time.Minute), 0, 0); !(d.Low < d.Median && d.Median < d.High) || math.IsNaN(d.High.Seconds()) {
			t.Errorf("after %v: %v", took, d)
		}
	}
}

// TestPriorIsRead: ledgers hold this JSON; what is no prior is learned anew.
func TestPriorIsRead(t *testing.T) {
	const kept = `{"noise":[0.7,0.2,0.05,0.05],"wander":[0.4,0.3,0.05,0.25],"swing":[0.8,0.1,0.1],"lacks_ln":0.25,"lacks_sd":0.1}`
	if text, err := json.Marshal(ReadPrior([]byte(kept))); err != nil || string(text) != kept {
		t.Errorf("%s was read as %s (%v)", kept, text, err)
	}
	for _, text := range []string{"", `{}`, `{"noise":[1]}`, `{"noise":["a"]}`,
		`{"noise":[-1,1,0.5,0.5],"wander":[0.25,0.25,0.25,0.25],"swing":[0.4,0.3,0.3],"lacks_ln":0.3,"lacks_sd":0.1}`,
		`{"noise":[0.25,0.25,0.25,0.25],"wander":[0.25,0.25,0.25,0.25],"swing":[0.4,0.3,0.3],"lacks_ln":0.3,"lacks_sd":0}`,
		`{"noise":[0.25,0.25,0.25,0.25],"wander":[0.25,0.25,0.25,0.25],"swing":[0.4,0.3,0.4],"lacks_ln":0.3,"lacks_sd":0.1}`} {
		if got := ReadPrior([]byte(text)); got != DefaultPrior() {
			t.Errorf("%q was read as %+v", text, got)
		}
	}
}
