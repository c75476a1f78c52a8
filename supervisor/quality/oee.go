package quality

import (
	"fmt"
	"strings"
	"time"
)

// Production is the input of production figures by ISO 22400-2.
type Production struct {
	PlannedBusy      time.Duration // PBT: planned operation less planned downtime
	ActualProduction time.Duration // APT: of it, producing
	PlannedPerItem   time.Duration // PRI: planned run time of one part
	Produced         int64         // PQ
	Good             int64         // GQ
}

// Figures are fractions of 1. Effectiveness above 1 means that parts took less than
// planned, so that the planned time should be looked at.
type Figures struct {
	Availability  float64 `json:"availability"`
	Effectiveness float64 `json:"effectiveness"`
	QualityRatio  float64 `json:"quality_ratio"`
	OEE           float64 `json:"oee"`
}

// FiguresOf computes the figures; the product is of unrounded factors. It refuses impossible input
// with every reason.
func FiguresOf(p Production) (Figures, error) {
	var wrong []string
	refuse := func(is bool, format string, a ...any) {
		if is {
			wrong = append(wrong, fmt.Sprintf(format, a...))
		}
	}
	refuse(p.PlannedBusy <= 0, "planned busy time is %v", p.PlannedBusy)
	refuse(p.ActualProduction <= 0, "actual production time is %v", p.ActualProduction)
	refuse(p.PlannedBusy > 0 && p.ActualProduction > p.PlannedBusy, "%v of production is longer than the %v planned", p.ActualProduction, p.PlannedBusy)
	refuse(p.PlannedPerItem <= 0, "planned run time of a part is %v", p.PlannedPerItem)
	refuse(p.Produced <= 0, "%d parts were produced", p.Produced)
	refuse(p.Good < 0 || p.Good > p.Produced, "%d good of %d produced is not possible", p.Good, p.Produced)
	if wrong != nil {
		return Figures{}, fmt.Errorf("cannot compute production figures: %s", strings.Join(wrong, "; "))
	}
	f := Figures{
		Availability:  float64(p.ActualProduction) / float64(p.PlannedBusy),
		Effectiveness: float64(p.PlannedPerItem) * float64(p.Produced) / float64(p.ActualProduction),
		QualityRatio:  float64(p.Good) / float64(p.Produced),
	}
	f.OEE = f.Availability * f.Effectiveness * f.QualityRatio
	return f, nil
}
