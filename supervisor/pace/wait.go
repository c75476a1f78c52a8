package pace

import (
	"math"
	"time"

	"beltwarden/supervisor/heat"
)

// Wait is what is known of the waits of a lot's cycles before one of them has ended: their
// median, and the standard deviation of their logarithm.
type Wait struct {
	Median time.Duration
	LogSD  float64
	Guess  bool // it includes heating or cooling, and nobody has seen how long these take
}

// Before any heater was seen a bed is expected to cool and warm again within a quarter of an
// hour: 3.5 to 65 minutes with 95 % certainty. Common practice, no source.
const (
	UnseenHeating = 15 * time.Minute
	unseenSD      = 0.75
	// MoveOff is how long a part takes to leave the nozzle.
	MoveOff = 30 * time.Second
	// What was learned of the heaters foretells the wait to a third.
	learnedSD = 0.3
	moveOffSD = 0.5
)

// UnplannedWait is the wait of a part whose file could not be inspected.
func UnplannedWait() Wait { return Wait{UnseenHeating, unseenSD, true} }

// ColdWait is the wait of a part that neither cools nor heats; its printing is planned to
// take so long.
func ColdWait(planned time.Duration) Wait { return Wait{unplanned(planned), moveOffSD, false} }

// UnseenWait is the wait of a part on heaters of which nothing was learned.
func UnseenWait(planned time.Duration) Wait {
	return Wait{unplanned(planned) + UnseenHeating, unseenSD, true}
}

// LearnedWait is the wait of a part on heaters that are known.
func LearnedWait(planned time.Duration, cool heat.Wait, reheat time.Duration) Wait {
	rest := unplanned(planned)
	low, high := rest+reheat+cool.Low, rest+reheat+cool.High
	sd := math.Log(float64(high)/float64(max(low, minWait))) / 4 // four standard deviations lie between the bounds
	return Wait{rest + reheat + cool.Mid, max(learnedSD, sd), false}
}

// unplanned is what a cycle takes beside heating, cooling and the certain share of its printing.
func unplanned(planned time.Duration) time.Duration {
	return MoveOff + time.Duration((1-certainShare)*float64(planned))
}
