package config

import (
	"testing"

	"github.com/google/go-cmp/cmp"
)

func TestHeadAndRanges(t *testing.T) {
	s, err := Parse("m.yaml", []byte("machine:\n  port: /dev/ttyACM0\n  belt_axis: Y\n  forward: +1\n"+
		"  head:\n    - {above_mm: 5, front_mm: 30, behind_mm: 20}\n    - {above_mm: 40, front_mm: 60.5, behind_mm: 0}\n"+
		"  x_range_mm: [-5, 225]\n  z_range_mm: []\nbelt:\n  to_drop_mm: 250\n  behind_mm: 80\njob:\n  spool_g: 1000\n"))
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff([]HeadStep{{5, 30, 20}, {40, 60.5, 0}}, s.Machine.Head); diff != "" {
		t.Error(diff)
	}
	m := &s.Machine.RangeMM
	if m.X != (Range{-5, 225}) || m.Y != (Range{}) || m.Z != (Range{}) || s.Belt.BehindMM != 80 || s.Job.SpoolG != 1000 {
		t.Errorf("%+v, %g mm behind, %g g", m, s.Belt.BehindMM, s.Job.SpoolG)
	}
}
