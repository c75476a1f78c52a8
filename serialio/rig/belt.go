package rig

import (
	"math"
	"math/rand/v2"
	"time"
)

// Part is one piece of extruded plastic on the belt, or fallen from it.
type Part struct {
	ID         int
	FromMM     float64 // belt coordinate of its leading end: the net advance at which it lies under the nozzle
	ToMM       float64 // of its trailing end
	FilamentMM float64 // net, drawn-back filament subtracted
	Dropped    bool    // it has fallen over the edge
	Detached   bool    // it let go of the belt before that
	OnSeam     bool    // it was printed across the seam
	Begun      time.Duration
	DroppedAt  time.Duration

	TopMM  float64    // height of the nozzle over the belt when its highest plastic was laid; belts on Y
	XMM    [2]float64 // across the belt, from the first plastic laid
	letsGo time.Duration
	struck bool               // the head ran into it
	heap   map[square]plastic // belts on Y
}

// quantumM is the belt travel, in metres, between two draws of the random walk.
const quantumM = 0.1

// beltState is the physical belt.
type beltState struct {
	Belt
	rng        *rand.Rand
	travelMM   float64 // physical, absolute
	advanceMM  float64 // physical, signed
	commanded  float64 // absolute, as the board counts
	offsetMM   float64
	nextDrawM  float64
	filamentMM float64
	parts      []Part
	open       int // parts before this one have all dropped
	nextID     int
	laidOn     uint64 // times that a part was laid on another
	making     int32  // grows each time that the head leaves what it made
	onOther    bool   // the present making was laid on another, and counted
	ranInto    bool   // the head ran into what it makes, and was noted
	own        int    // id of the part being made; 0: none yet
	current    int    // index of the part being printed, -1 none
	bin        int
	rubbing    bool
	damage     func(string)
}

// move applies a belt movement: net and absolute millimetres of belt.
func (b *beltState) move(net, travel, commanded float64) {
	b.advanceMM += net
	b.travelMM += travel
	b.commanded += commanded
	b.offsetMM += b.DriftPerTravelMMPerM*travel/1000 + b.DriftPerAdvanceMMPerM*net/1000
	for b.travelMM/1000 >= b.nextDrawM {
		b.nextDrawM += quantumM
		if b.JitterMMPerSqrtM > 0 {
			b.offsetMM += b.rng.NormFloat64() * b.JitterMMPerSqrtM * math.Sqrt(quantumM)
		}
		if b.DisturbancesPerM > 0 && b.rng.Float64() < b.DisturbancesPerM*quantumM {
			b.offsetMM += b.rng.NormFloat64() * b.DisturbanceMM
		}
	}
	if over := b.EdgeLimitMM > 0 && math.Abs(b.offsetMM) > b.EdgeLimitMM; over != b.rubbing {
		b.rubbing = over
		if over {
			b.damage("the belt rubs on its frame")
		}
	}
}

// drop lets every part fall that has passed the edge at time t. The bed's temperature is computed
// only for such a part, since this is called for each move.
func (b *beltState) drop(t time.Duration, bed *heater) {
	for i := b.open; i < len(b.parts); i++ {
		p := &b.parts[i]
		if p.Dropped {
			continue
		}
		if p.letsGo <= t {
			p.Detached = true
		}
		if b.advanceMM-p.ToMM < b.ToDropMM {
			continue
		}
		if p.Detached || b.ReleaseC <= 0 || bed.at(t) <= b.ReleaseC {
			p.Dropped, p.DroppedAt, p.heap = true, t, nil
			b.bin++
			if b.current == i {
				b.current = -1
			}
		}
	}
	for b.open < len(b.parts) && b.parts[b.open].Dropped {
		b.open++
	}
}

// extrude applies filament. Plastic laid while moving joins the part it touches, or begins one;
// what flows without movement goes to the part being printed, if any. The belt range is [low, high]
// in belt coordinates.
func (b *beltState) extrude(t time.Duration, filament float64, moving bool, low, high float64) {
	b.filamentMM += filament
	if moving && filament > 0 {
		b.current = b.touch(t, low, high)
		b.own = b.parts[b.current].ID
	}
	if b.current >= 0 {
		b.parts[b.current].FilamentMM += filament
	}
}

// touch returns the part that plastic at [low, high] belongs to. Parts that it
// joins together become one.
func (b *beltState) touch(t time.Duration, low, high float64) int {
	hit := -1
	for i := b.open; i < len(b.parts); i++ {
		p := &b.parts[i]
		if p.Dropped || high < p.FromMM-b.PartGapMM || low > p.ToMM+b.PartGapMM {
			continue
		}
		if hit < 0 {
			hit = i
			continue
		}
		q := &b.parts[hit]
		q.FromMM, q.ToMM = min(q.FromMM, p.FromMM), max(q.ToMM, p.ToMM)
		q.FilamentMM += p.FilamentMM
		q.TopMM, q.XMM = max(q.TopMM, p.TopMM), [2]float64{min(q.XMM[0], p.XMM[0]), max(q.XMM[1], p.XMM[1])}
		q.OnSeam = q.OnSeam || p.OnSeam
		for at, in := range p.heap {
			if in.topMM >= q.heap[at].topMM {
				q.heap[at] = in
			}
		}
		b.parts = append(b.parts[:i], b.parts[i+1:]...)
		i--
	}
	if hit < 0 {
		b.nextID++
		p := Part{ID: b.nextID, FromMM: low, ToMM: high, Begun: t, XMM: [2]float64{math.Inf(1), math.Inf(-1)}, letsGo: never, heap: map[square]plastic{}}
		if b.AdhesionLoss > 0 && b.rng.Float64() < b.AdhesionLoss {
			p.letsGo = after(t, b.rng.ExpFloat64()*b.AdhesionMinutes*60)
		}
		b.parts = append(b.parts, p)
		hit = len(b.parts) - 1
	}
	p := &b.parts[hit]
	p.FromMM, p.ToMM = min(p.FromMM, low), max(p.ToMM, high)
	p.OnSeam = p.OnSeam || b.seamIn(low, high)
	return hit
}

// seamIn reports whether the seam lies in a range of belt coordinates.
func (b *beltState) seamIn(low, high float64) bool {
	if b.SeamWidthMM <= 0 {
		return false
	}
	low, high = low-b.SeamWidthMM/2, high+b.SeamWidthMM/2
	k := math.Ceil((low - b.SeamAtMM) / b.LoopLengthMM)
	return b.SeamAtMM+k*b.LoopLengthMM <= high
}
