package screen

import (
	"strings"
	"testing"
	"time"

	"beltwarden/supervisor/job"
)

func TestHeatTimesSayWhatIsNotKnown(t *testing.T) {
	none, reheat := time.Duration(0), 3*time.Minute
	text := strings.Join(HeatTimes(job.HeatTimes{Cool: &none, Reheat: &reheat}, "heat it first", Style{}), "\n")
	for _, want := range []string{"heat-up from ambient not known yet", "cooling after each part none", "next 3 min", ": heat it first"} {
		if !strings.Contains(strings.Join(strings.Fields(text), " "), want) {
			t.Errorf("%q is not in\n%s", want, text)
		}
	}
	text = strings.Join(HeatTimes(job.HeatTimes{HeatUp: &reheat, Cool: &none, Reheat: &reheat}, "heat it first", Style{}), "\n")
	if strings.Contains(text, "heat it first") {
		t.Errorf("all is known, and yet\n%s", text)
	}
}
