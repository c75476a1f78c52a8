package wording

import (
	"strings"
	"testing"
	"time"

	model "beltwarden/supervisor/heat"
	"beltwarden/supervisor/job"
)

func TestHeatTimesSayWhatIsNotKnown(t *testing.T) {
	none, reheat := model.Wait{Sure: true}, 3*time.Minute
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
	near := model.Wait{Low: 14 * time.Minute, Mid: 18 * time.Minute, High: 22 * time.Minute}
	text = strings.Join(HeatTimes(job.HeatTimes{Cool: &near}, "", Style{}), "\n")
	if want := "cooling after each part 14 min to 22 min"; !strings.Contains(strings.Join(strings.Fields(text), " "), want) {
		t.Errorf("no %q in\n%s", want, text)
	}
}
