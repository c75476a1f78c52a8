package job

import (
	"math"
	"testing"

	"pgregory.net/rapid"
)

// Against the plainest way: keep every move, and ask when all are known.
func TestStairsAreNeverTooShort(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		span := 100
		small := rapid.Bool().Draw(t, "few heights") // then nothing is merged, and the answer is exact
		if small {
			span = stairsKept - 1
		}
		var s stairs
		var all []lowPoint
		for range rapid.IntRange(1, 80).Draw(t, "moves") {
			p := lowPoint{float64(rapid.IntRange(0, 100).Draw(t, "along")), float64(rapid.IntRange(0, span).Draw(t, "height"))}
			all = append(all, p)
			s.move(p.alongMM, p.heightMM)
		}
		for h := -1; h <= span; h++ {
			want := math.Inf(1)
			for _, p := range all {
				if p.heightMM <= float64(h) {
					want = math.Min(want, p.alongMM)
				}
			}
			got := s.furthestBack(float64(h))
			if got > want || small && got != want {
				t.Fatalf("%v at %d, want %v: %v from %v", got, h, want, s.step[:s.n], all)
			}
		}
	})
}
