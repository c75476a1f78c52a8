package precision

import (
	"encoding/json"
	"math"
	"testing"
	"time"

	"pgregory.net/rapid"
)

// Each number is as precise as its unit is known, and nothing else changes.
func TestRound(t *testing.T) {
	for _, c := range []struct{ from, want string }{
		{`{"travel_mm":1234.56789,"nozzle_c":204.6377,"since_start_s":0.1234567,"spool_left_g":712.3456}`, `{"travel_mm":1234.568,"nozzle_c":204.6,"since_start_s":0.123,"spool_left_g":712.35}`},
		{`{"steps_per_mm":80.123456789,"from_steps_per_mm":400.00000001}`, `{"steps_per_mm":80.1235,"from_steps_per_mm":400}`},
		{`{"rate_mm_per_m":-0.0312345678,"rate_95_mm_per_m":[-0.04123456,0.000001234567]}`, `{"rate_mm_per_m":-0.0312346,"rate_95_mm_per_m":[-0.0412346,0.00000123457]}`},
		{`{"filament_mm_per_cycle":812.34567}`, `{"filament_mm_per_cycle":812.346}`},
		{`{"oee":0.71428571,"quality_ratio":0.857142857,"ppk":1.33333333,"probability":0.00012345678}`, `{"oee":0.7143,"quality_ratio":0.8571,"ppk":1.333,"probability":0.0001235}`},
		{`{"mean":20.0123456,"ucl":20.1,"total":12345.678}`, `{"mean":20.0123,"ucl":20.1,"total":12345.678}`},
		{`{"extent_mm":{"X":[1.23456,2.0004]},"x":1.23456789}`, `{"extent_mm":{"X":[1.235,2]},"x":1.23457}`},
		{`{"offset_mm":-0.0001,"bed_c":1e-9}`, `{"offset_mm":0,"bed_c":0}`},
		{`[{"id":9007199254740993,"part_takes_ns":754123456789,"made":88888}]`, `[{"id":9007199254740993,"part_takes_ns":754123456789,"made":88888}]`},
		{`{"at":"2026-03-02T12:00:00.123456789+01:00","note_mm":"it was 1.23456789 mm, \"{[,\\","n_mm":1.23456}`, `{"at":"2026-03-02T12:00:00.123456789+01:00","note_mm":"it was 1.23456789 mm, \"{[,\\","n_mm":1.235}`},
		{`{"a_mm":[],"b":{},"c":null,"d":true}`, `{"a_mm":[],"b":{},"c":null,"d":true}`},
		{`{"e":1.23456789e300,"tail":1.23456e-40}`, `{"e":1.23457e+300,"tail":1.23456e-40}`},
		{`not JSON 1.23456789`, `not JSON 1.23456789`},
	} {
		if got := string(Round([]byte(c.from))); got != c.want {
			t.Errorf("%s\nbecomes %s\nwant    %s", c.from, got, c.want)
		}
	}
}

// What is written reads back as the number within half of its last place, rounding it again alters
// nothing, and a whole number stays as it is.
func TestRoundDrawn(t *testing.T) {
	names := []string{"offset_mm", "bed_c", "took_s", "part_g", "steps_per_mm", "oee", "mean", "rate_mm_per_m"}
	rapid.Check(t, func(t *rapid.T) {
		name := rapid.SampledFrom(names).Draw(t, "name")
		x := rapid.Float64Range(-1e7, 1e7).Draw(t, "x")
		if rapid.Bool().Draw(t, "small") {
			x /= 1e7
		}
		n := rapid.Int64().Draw(t, "n")
		text, err := Marshal(map[string]any{name: x, "id": n, "at": time.Unix(n%1e9, 1).UTC()})
		if err != nil {
			t.Fatal(err)
		}
		var back struct {
			ID int64     `json:"id"`
			At time.Time `json:"at"`
		}
		var all map[string]any
		if err := json.Unmarshal(text, &back); err != nil || back.ID != n || !back.At.Equal(time.Unix(n%1e9, 1)) {
			t.Fatalf("%s: %+v, %v", text, back, err)
		}
		if err := json.Unmarshal(text, &all); err != nil {
			t.Fatal(err)
		}
		y := all[name].(float64)
		r, _ := ruleOf(name)
		off := math.Inf(1)
		if r.decimals > 0 {
			off = 0.5 * math.Pow10(-r.decimals)
		}
		if r.figures > 0 {
			off = min(off, math.Abs(x)*0.5*math.Pow10(1-r.figures))
		}
		if math.Abs(x-y) > off*(1+1e-9)+1e-12 {
			t.Errorf("%s %v becomes %v: off by %g, allowed %g", name, x, y, math.Abs(x-y), off)
		}
		if again := Round(text); string(again) != string(text) {
			t.Errorf("%s rounded again is %s", text, again)
		}
	})
}
