package belt

import (
	"math"

	"beltwarden/supervisor/distribution"
)

// mixture is the distribution of an offset, over all shares.
type mixture [len(shares)]belief

// below is the probability that the offset is below v.
func (m *mixture) below(v float64) float64 {
	p := 0.0
	for _, b := range m {
		if b.weight > 1e-6 {
			p += b.weight * distribution.StudentBelow((v-b.centre)/b.scale, b.df)
		}
	}
	return p
}

// beyond is the probability that the offset is outside the limit, to either side.
func (m *mixture) beyond(limitMM float64) float64 {
	return m.below(-limitMM) + 1 - m.below(limitMM)
}

// doubt is the probability of something at least as far out as v, and whether v is above the
// middle.
func (m *mixture) doubt(v float64) (p float64, above bool) {
	b := m.below(v)
	return 2 * min(b, 1-b), b > 0.5
}

// weigh turns logarithms of weights into weights.
func (m *mixture) weigh() {
	most, sum := math.Inf(-1), 0.0
	for _, b := range m {
		most = max(most, b.weight)
	}
	for i := range m {
		m[i].weight = math.Exp(m[i].weight - most)
		sum += m[i].weight
	}
	for i := range m {
		m[i].weight /= sum
	}
}

// quantile finds the offset below which the probability is p, to a thousandth of a millimetre.
func (m *mixture) quantile(p float64) float64 {
	low, high := math.Inf(1), math.Inf(-1)
	for _, b := range m {
		q := b.centre + b.scale*distribution.StudentQuantile(p, b.df)
		low, high = min(low, q), max(high, q)
	}
	for high-low > 1e-3+1e-12*(math.Abs(high)+math.Abs(low)) {
		if mid := (low + high) / 2; m.below(mid) < p {
			low = mid
		} else {
			high = mid
		}
	}
	return (low + high) / 2
}
