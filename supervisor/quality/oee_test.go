package quality_test

import (
	"strings"
	"testing"
	"time"

	"beltwarden/supervisor/quality"
)

func TestFigures(t *testing.T) {
	minute := time.Minute
	for _, r := range []struct {
		source       string
		p            quality.Production
		a, e, q, oee float64
	}{
		{"widely reprinted shift example", quality.Production{420 * minute, 373 * minute, time.Second, 19271, 18848}, 0.888095238, 0.861081323, 0.978049920, 0.747936508},
		{"calculator example, 79.1 % from rounded factors", quality.Production{480 * minute, 420 * minute, minute, 400, 380}, 0.875, 0.952380952, 0.95, 0.791666667},
		{"Introduction to TPM (1988), from memory", quality.Production{460 * minute, 400 * minute, 30 * time.Second, 400, 392}, 0.869565217, 0.5, 0.98, 0.426086957},
		{"constructed, like a lot", quality.Production{1440 * minute, 1200 * minute, 45 * minute, 24, 22}, 0.833333333, 0.9, 0.916666667, 0.6875},
	} {
		f, err := quality.FiguresOf(r.p)
		if err != nil {
			t.Fatal(err)
		}
		near(t, r.source+": availability", f.Availability, r.a, 6e-10)
		near(t, r.source+": effectiveness", f.Effectiveness, r.e, 6e-10)
		near(t, r.source+": quality ratio", f.QualityRatio, r.q, 6e-10)
		near(t, r.source+": OEE", f.OEE, r.oee, 6e-10)
		identity := float64(r.p.PlannedPerItem) * float64(r.p.Good) / float64(r.p.PlannedBusy)
		near(t, r.source+": PRI*GQ/PBT", f.OEE, identity, 1e-12)
	}
}

func TestFiguresRefuseWhatCannotBe(t *testing.T) {
	_, err := quality.FiguresOf(quality.Production{PlannedBusy: time.Hour, ActualProduction: 2 * time.Hour, Produced: 3, Good: 4})
	for _, want := range []string{"longer than", "run time of a part", "4 good of 3"} {
		if err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%v does not tell of %q", err, want)
		}
	}
	if _, err := quality.FiguresOf(quality.Production{}); err == nil {
		t.Error("nothing at all gave figures")
	}
}
