package job

import "math"

// stairs finds how far back along the belt the nozzle comes while it is no higher than a height
// that is known only at the end. Steps ascend in height, and each goes further back than all below
// it. There are few: if one too many is needed, two neighbours merge into one at the lower's height
// and the higher's place, which may require more room than needed and never less.
type stairs struct {
	step [stairsKept]lowPoint
	n    int
}

const stairsKept = 16

// move adds one move: its minimum along the belt and its minimum height.
func (s *stairs) move(alongMM, heightMM float64) {
	k := s.n // steps[:k] are no higher than the move
	for k > 0 && s.step[k-1].heightMM > heightMM {
		k--
	}
	if k > 0 && s.step[k-1].alongMM <= alongMM {
		return // the usual case: the first layer has been there
	}
	end := k // steps[k:end] are as high or higher and no further back
	if k > 0 && s.step[k-1].heightMM == heightMM {
		k--
	}
	for end < s.n && s.step[end].alongMM >= alongMM {
		end++
	}
	p := lowPoint{alongMM, heightMM}
	if end > k {
		s.step[k] = p
		copy(s.step[k+1:], s.step[end:s.n])
		s.n -= end - k - 1
		return
	}
	if s.n == stairsKept {
		s.insertMerged(k, p)
		return
	}
	copy(s.step[k+1:s.n+1], s.step[k:s.n])
	s.step[k] = p
	s.n++
}

// insertMerged inserts p at k into full stairs, and merges the two neighbours that lose least.
func (s *stairs) insertMerged(k int, p lowPoint) {
	var all [stairsKept + 1]lowPoint
	copy(all[:], s.step[:k])
	all[k] = p
	copy(all[k+1:], s.step[k:])
	best, least := 0, math.Inf(1)
	for j := range stairsKept {
		low, high := all[j], all[j+1]
		if loss := (low.alongMM - high.alongMM) * (high.heightMM - low.heightMM); loss < least {
			best, least = j, loss
		}
	}
	all[best].alongMM = all[best+1].alongMM
	copy(all[best+1:], all[best+2:])
	copy(s.step[:], all[:stairsKept])
}

// furthestBack is the minimum along the belt of the moves no higher than a height, or +Inf.
func (s *stairs) furthestBack(heightMM float64) float64 {
	back := math.Inf(1)
	for k := range s.n {
		if s.step[k].heightMM > heightMM {
			break
		}
		back = s.step[k].alongMM
	}
	return back
}
