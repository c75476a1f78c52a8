package quality

import "fmt"

// Remedy is the advice from a signal.
type Remedy string

// What the operator should do.
const (
	Recheck Remedy = "recheck" // one value stands out: measure it again before believing it
	Rescale Remedy = "rescale" // sizes drift while their scatter stays: measure the belt scale
	Tension Remedy = "tension" // sizes scatter more than before: look at belt tension and drive
)

// Suggestion is a remedy with its evidence.
type Suggestion struct {
	Do   Remedy `json:"do"`
	Text string `json:"text"`
}

// scatterTimes is how far the recent mean range may exceed the learned one before scatter counts as
// increased: about three of its standard deviations.
const scatterTimes = 1.75

// suggest combines the signals of one value. Only the newest value and the monitor's state count.
func (m *Monitor) suggest(signals []Signal) *Suggestion {
	if len(signals) == 0 {
		return nil
	}
	is := map[Rule]bool{}
	for _, s := range signals {
		is[s.Rule] = true
	}
	newest := m.Runs.Zones[len(m.Runs.Zones)-1]
	side := sign(float64(newest))
	times := ratio(m.MRRecent, m.Limits.MRBar)
	scatter := fmt.Sprintf("neighbouring parts differ by %.3g of late, %.2g times the %.3g learned", m.MRRecent, times, m.Limits.MRBar)
	switch {
	case abs(newest) == 3 && m.Runs.beyond(5, 1, side) < 2 && m.MRWide < 3:
		return &Suggestion{Recheck, "one value stands out and those before it do not: measure the part again, then its neighbours"}
	case is[Range] || times > scatterTimes:
		return &Suggestion{Tension, scatter + ": look at the tension of the belt, its drive and its seam"}
	case is[Alternating] && len(signals) == 1:
		return &Suggestion{Recheck, "values alternate: two tools, two places on the part or two people may have measured in turn"}
	case is[ChangePoint]:
		return &Suggestion{Rescale, fmt.Sprintf("the level is another by %+.3g, while %s: measure the scale of the belt", m.ChangedBy, scatter)}
	default:
		return &Suggestion{Rescale, fmt.Sprintf("the moving average is %+.3g from the mean of %.6g, while %s: measure the scale of the belt",
			m.Average.At-m.Limits.Mean, m.Limits.Mean, scatter)}
	}
}

func ratio(a, b float64) float64 {
	switch {
	case b > 0:
		return a / b
	case a > 0:
		return 1e9 // scatter where there was none at all
	}
	return 1
}

// sentence describes what a rule found.
func (m *Monitor) sentence(r Rule, side int, index int64, v, moved float64) string {
	where, n := "above", index+1
	if side < 0 {
		where = "below"
	}
	level := func(sigmas float64) float64 { return m.Limits.Mean + float64(side)*sigmas*m.Limits.Sigma }
	switch r {
	case Outside:
		limit := m.Limits.UCL
		if side < 0 {
			limit = m.Limits.LCL
		}
		return fmt.Sprintf("value %d, %.6g, lies %s the limit of %.6g", n, v, where, limit)
	case Beyond3:
		return fmt.Sprintf("value %d, %.6g, lies %s the limit of %.6g", n, v, where, level(3))
	case TwoOfThree:
		return fmt.Sprintf("of the three values to %d, two or more lie %s %.6g (two standard deviations)", n, where, level(2))
	case FourOfFive:
		return fmt.Sprintf("of the five values to %d, four or more lie %s %.6g (one standard deviation)", n, where, level(1))
	case EightOneSide:
		return fmt.Sprintf("the %d values to %d all lie %s the mean of %.6g", abs(m.Runs.Side), n, where, m.Limits.Mean)
	case Trend:
		return fmt.Sprintf("the %d values to %d go one way, now %.6g", abs(m.Runs.Steps)+1, n, v)
	case Alternating:
		return fmt.Sprintf("the %d values to %d go up and down in turn", m.Runs.Turns+1, n)
	case Range:
		return fmt.Sprintf("value %d, %.6g, is %.4g away from the one before: the limit is %.4g", n, v, moved, m.Limits.MRUCL)
	case EWMA:
		low, high := m.Average.Limits()
		return fmt.Sprintf("at value %d the moving average, %.6g, lies outside %.6g to %.6g", n, m.Average.At, low, high)
	case ChangePoint:
		return fmt.Sprintf("from value %d on the level is another by %+.3g, as value %d shows", m.Changed+1, m.ChangedBy, n)
	default:
		return fmt.Sprintf("at value %d the cumulative sums, %.4g above and %.4g below, reach beyond %.4g", n, m.Sums.High, m.Sums.Low, m.Sums.Bound)
	}
}
