package job

import (
	"bytes"
	"math"
	"slices"
	"strconv"
)

// filament is what the file says about it in the slicer's comments; 0: nothing.
type filament struct {
	diameterMM, densityGPerCM3 float64
}

// Plausible figures; others are none, such as the 0 of a setting that nobody has filled in.
const (
	thinnestMM, thickestMM = 1.0, 4.0
	lightest, densest      = 0.4, 9.0 // g/cm3: foamed filament, metal-filled filament (common practice, no source)
)

// read reads a comment: filament_diameter = 1.75, "Filament density (g/cm3): 1.24". Of several
// tools the first counts.
func (f *filament) read(comment []byte) {
	if len(comment) > 400 || !bytes.Contains(comment, []byte("ilament")) && !bytes.Contains(comment, []byte("aterial")) &&
		!bytes.Contains(comment, []byte("ILAMENT")) {
		return
	}
	w := commentWords(comment)
	if !slices.Contains(w, "filament") && !slices.Contains(w, "material") {
		return
	}
	for _, q := range []struct {
		word   string
		to     *float64
		lo, hi float64
	}{{"diameter", &f.diameterMM, thinnestMM, thickestMM}, {"density", &f.densityGPerCM3, lightest, densest}} {
		k := slices.Index(w, q.word)
		if k < 0 || k > 3 || *q.to > 0 {
			continue
		}
		for _, word := range w[k+1 : min(len(w), k+4)] {
			v, err := strconv.ParseFloat(word, 64)
			if err != nil || !isDecimal(word) {
				continue
			}
			if v >= q.lo && v <= q.hi {
				*q.to = v
			}
			break
		}
	}
}

// settle lets the file's values replace the configured ones, and reports a difference.
func (f *filament) settle(o *Options, n *notes) {
	if d := f.diameterMM; d > 0 {
		if math.Abs(d-o.FilamentDiameterMM) > 0.01 {
			n.add(0, Warning, "filament-diameter", "slice for the filament on the machine, or correct job.filament_diameter_mm",
				"the file was sliced for filament of %g mm, and the configuration says %g mm: if that is on the machine, parts get %.0f %% of the plastic that they should",
				d, o.FilamentDiameterMM, 100*o.FilamentDiameterMM*o.FilamentDiameterMM/(d*d))
		}
		o.FilamentDiameterMM = d
	}
	if d := f.densityGPerCM3; d > 0 {
		if math.Abs(d-o.DensityGPerCM3) > 0.005 {
			n.add(0, Info, "filament-density", "correct job.density_g_per_cm3 if it is that of the filament on the machine",
				"the file says that its filament has %g g/cm3, and the configuration %g: weights are by the file", d, o.DensityGPerCM3)
		}
		o.DensityGPerCM3 = d
	}
}
