package supervisor

import (
	"math"
	"math/rand/v2"
	"os"
	"strconv"
	"testing"
)

// promise is a row of the table of promises: something that is printed with a certainty, and how often
// it is true. A row is tested with each kind of data, or names the test that does so.
type promise struct {
	name string
	// says are fragments of the program's texts that print it.
	says []string
	// At least keeps and at most mostly of all lots get no false statement; mostly is 0 if there is no
	// upper bound.
	keeps, mostly float64
	kinds         []kindOfData
	proved        string // the test that measures it, where it is not this one
}

// kindOfData is one kind of lots for testing a promise.
type kindOfData struct {
	name string
	// lot plays one lot and reports whether its statement is true, and whether there is one. A lot
	// without a statement has no false one.
	lot func(r *rand.Rand) (holds, told bool)
	// tells is the least fraction of lots that get a statement: a promise that is never made is easily
	// kept.
	tells float64
	// beyond names what the promise excludes, as its text on the screen does. Such data is measured
	// and not judged.
	beyond string
}

// promises is the table. A certainty that the program prints and that has no row fails
// TestEveryPromiseHasARow.
func promises() []promise {
	var table []promise
	for _, rows := range [][]promise{adhesionPromises(), scalePromises(), performancePromises(), yieldPromises(), readyPromises(), chartPromises(), trialPromises(), provedPromises()} {
		table = append(table, rows...)
	}
	return table
}

// provedPromises are measured by tests of their own.
func provedPromises() []promise {
	return []promise{
		{name: "when the next visit and the end of the lot are", proved: "pace.TestVisitTimes",
			says: []string{" with 95 % certainty", "With 95 % certainty the visit", "The next visit is ", "The lot in progress is "}},
		{name: "how long the bed cools", proved: "heat.TestCoolingIsForetold"},
		{name: "how far until the belt's limit", proved: "TestCalibration",
			says: []string{"certainty not before", "with 95 %% not before", "limit, 95 % certain", "Belt travel before which", "by the certainty that the settings", "certainty of the hold", "--certainty %g"}},
		{name: "where the belt is and how it goes", proved: "TestCalibration",
			says: []string{"(95 %%: %+.2f to %+.2f)", "(95 %%: %+.3f to %+.3f)", "(95 %%: %+.4f to %+.4f)", "interval of that offset", "interval of that rate", "where it may be, 95 %", "interval of the line through"}},
	}
}

// TestPromises runs the table. BELTWARDEN_LOTS is the number of lots of each kind (make models).
func TestPromises(t *testing.T) {
	withoutRace(t)
	t.Parallel()
	lots := 400
	if n, err := strconv.Atoi(os.Getenv("BELTWARDEN_LOTS")); err == nil {
		lots = n
	}
	for _, p := range promises() {
		for i, k := range p.kinds {
			r := rand.New(rand.NewPCG(uint64(len(p.name)), uint64(i)))
			told, wrong := 0, 0
			for range lots {
				holds, is := k.lot(r)
				if is {
					told++
					if !holds {
						wrong++
					}
				}
			}
			n := float64(lots)
			kept := 1 - float64(wrong)/n
			t.Logf("%-58s %-58s true in %6.2f %% of lots, promised %.0f; told in %6.2f %% %s", p.name, k.name, 100*kept, 100*p.keeps, 100*float64(told)/n, k.beyond)
			if k.beyond != "" {
				continue
			}
			chance := func(p float64) float64 { return 3*math.Sqrt(p*(1-p)/n) + 1/n }
			if kept < p.keeps-chance(p.keeps) {
				t.Errorf("%s: %s: true in %.2f %%, and %.0f %% are promised", p.name, k.name, 100*kept, 100*p.keeps)
			}
			if p.mostly > 0 && kept > p.mostly+chance(p.mostly) {
				t.Errorf("%s: %s: true in %.2f %%, so it promises too little", p.name, k.name, 100*kept)
			}
			if share := float64(told) / n; share < k.tells-chance(k.tells) {
				t.Errorf("%s: %s: told in %.2f %% of lots only", p.name, k.name, 100*share)
			}
		}
	}
}
