package metrics

import (
	"beltwarden/supervisor/book"
	"beltwarden/supervisor/quality"
)

// positions name the jobs of a lot by their place in it, and bound the series of
// their sizes: a lot may be made of more jobs, and those are not shown.
var positions = [maxPositions]string{"1", "2", "3", "4", "5", "6", "7", "8"}

const maxPositions = 8

// size sends the control chart of one job.
func size(out emitter, position string, v *book.Size) {
	out.gauge(sizeMeasured, float64(v.N), position)
	out.gauge(sizeMissing, float64(v.Missing), position)
	if v.NewestMM > 0 { // none yet since the belt's scale was set
		out.gauge(sizeNewest, metres(v.NewestMM), position)
	}
	if v.Phase == quality.Frozen {
		out.gauge(sizeMean, metres(v.MeanMM), position)
		out.gauge(sizeLower, metres(v.LowerMM), position)
		out.gauge(sizeUpper, metres(v.UpperMM), position)
	}
	if o := v.Ordered; o != nil {
		out.gauge(sizeNominal, metres(o.LengthMM), position)
		out.gauge(sizeTolerance, metres(o.ToleranceMM), position)
	}
	out.gaugeIf(sizePp, v.Pp, 1, position)
	out.gaugeIf(sizePpk, v.Ppk, 1, position)
	if i := v.PpkInterval; i != nil {
		out.gauge(sizePpkLow, i.Low, position)
	}
	out.gaugeIf(sizeOut, v.OutsideMost, 1, position)
}
