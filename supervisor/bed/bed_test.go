package bed

import (
	"testing"
	"time"

	"beltwarden/supervisor/book"
	"beltwarden/supervisor/ledger"
)

// TestForecastIsKept: it is recomputed only when its input has changed.
func TestForecastIsKept(t *testing.T) {
	b, count := New(Settings{OffsetLimitMM: 3, WorstMMPerM: 0.05}), book.New(book.Settings{})
	for i, mm := range []float64{0, 0.5} {
		b.Fold(ledger.CheckRecorded{Check: ledger.Check{ID: int64(i + 1), TravelMM: float64(4000 * i), OffsetMM: &mm}}, time.Time{}, Position{}, count)
	}
	first := b.Forecast(Position{TravelMM: 4000}, 0)
	if n := testing.AllocsPerRun(100, func() { b.Forecast(Position{TravelMM: 4000}, 0) }); n != 0 {
		t.Errorf("%v allocations for a forecast that is known", n)
	}
	if next := b.Forecast(Position{TravelMM: 5000}, 0); next.HoldMM >= first.HoldMM || next.HoldMM < first.HoldMM-1200 {
		t.Errorf("a metre later %g mm are left, before %g", next.HoldMM, first.HoldMM)
	}
}
