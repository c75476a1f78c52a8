package pace

import (
	"math"
	"time"

	"beltwarden/supervisor/heat"
)

// Wait is what is known of the waits of a lot's cycles before one has ended: their median, and the
// standard deviation of their logarithm.
type Wait struct {
	Median time.Duration
	LogSD  float64
	Guess  bool // it includes heating or cooling times that were never observed
}

// An unknown bed is expected to cool and heat again within a quarter of an hour: 3.5 to 65 minutes
// with 95 % certainty. Common practice, no source.
const (
	UnseenHeating = 15 * time.Minute
	unseenSD      = 0.75
	// MoveOff is how long a part takes to leave the nozzle.
	MoveOff = 30 * time.Second
	// Known heaters predict the wait to within a third.
	learnedSD = 0.3
	moveOffSD = 0.5
)

// UnplannedWait is the wait of a part whose file could not be inspected.
func UnplannedWait() Wait { return Wait{UnseenHeating, unseenSD, true} }

// ColdWait is the wait of a part with this planned printing time that neither cools nor heats.
func ColdWait(planned time.Duration) Wait { return Wait{unplanned(planned), moveOffSD, false} }

// UnseenWait is the wait of a part on unknown heaters.
func UnseenWait(planned time.Duration) Wait {
	return Wait{unplanned(planned) + UnseenHeating, unseenSD, true}
}

// LearnedWait is the wait of a part on known heaters.
func LearnedWait(planned time.Duration, cool heat.Wait, reheat time.Duration) Wait {
	rest := unplanned(planned)
	low, high := rest+reheat+cool.Low, rest+reheat+cool.High
	sd := math.Log(float64(high)/float64(max(low, minWait))) / 4 // four standard deviations lie between the bounds
	return Wait{rest + reheat + cool.Mid, max(learnedSD, sd), false}
}

// unplanned is what a cycle takes besides heating, cooling and the certain share of its printing.
func unplanned(planned time.Duration) time.Duration {
	return MoveOff + time.Duration((1-certainShare)*float64(planned))
}
