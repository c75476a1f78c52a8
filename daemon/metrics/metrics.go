// Package metrics shows a Prometheus server the state of the run. It reads
// published snapshots and the ledger's counts when it is asked, in base units:
// metres, seconds, degrees Celsius. The number of its series is bounded; nothing
// is labelled with a lot, a job or a part.
package metrics

import (
	"context"
	"errors"
	"math"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"

	"beltwarden/serialio"
	"beltwarden/supervisor"
	"beltwarden/supervisor/ledger"
)

// readLimit bounds how long a scrape waits for the ledger.
const readLimit = 5 * time.Second

// Ledger is what the collector reads of the ledger.
type Ledger interface {
	Lots(ctx context.Context) ([]ledger.Lot, error)
	Counts(ctx context.Context, lotID int64) (ledger.Counts, error)
	AlertQueue(ctx context.Context) ([]ledger.Receiver, error)
	Events(ctx context.Context, limit int, afterSeq int64) ([]ledger.Event, error)
	TrimmedEvents(ctx context.Context) (map[string]int, error)
	Lot(ctx context.Context, id int64) (ledger.Lot, error)
	Cycles(ctx context.Context, lotID int64) ([]ledger.Cycle, error)
	Holds(ctx context.Context, lotID int64) ([]ledger.Hold, error)
	Times(ctx context.Context, lotID int64) (ledger.Times, error)
}

// Access is what the collector reads of the gate.
type Access interface {
	Refused() map[string]uint64 // by why; every reason is there
	Sessions() int
}

// Options are what a collector is made of.
type Options struct {
	Snapshot func() *supervisor.Snapshot
	Ledger   Ledger
	Version  string
	// ScreenURL is where people reach the screen; "" where that is not known.
	ScreenURL string
	// NozzleCeilingC and BedCeilingC are the highest targets ever sent, degrees Celsius; 0 for none.
	NozzleCeilingC, BedCeilingC float64
	// Receivers are the names of the receivers of alerts that are configured.
	Receivers []string
	// Dir is the directory of the ledger, whose free room is measured; "" for none.
	Dir string
	// Backup is when the newest backup of the ledger was made, and whether the last try
	// failed; nil where none are made.
	Backup func() (made time.Time, failed bool)
	// Access is who was turned away and who is signed in; nil for none.
	Access Access
	Now    func() time.Time // nil: time.Now
}

// Collector is a [prometheus.Collector] over one run.
type Collector struct {
	o          Options
	totals     totals
	production *production
	events     *events
	filament   highWater
}

// New returns a collector. Close must be called before the ledger is closed.
func New(o Options) *Collector {
	if o.Now == nil {
		o.Now = time.Now
	}
	return &Collector{o: o, totals: totals{ledger: o.Ledger, turn: make(chan struct{}, 1)},
		production: newProduction(o.Ledger), events: newEvents(o.Ledger)}
}

// Close waits for what goes on behind the scrapes. A scrape after it shows what is known.
func (c *Collector) Close() { c.production.close() }

// Registry returns a registry of the collector and of the process itself.
func Registry(c *Collector) *prometheus.Registry {
	r := prometheus.NewRegistry()
	r.MustRegister(c, collectors.NewGoCollector(),
		collectors.NewProcessCollector(collectors.ProcessCollectorOpts{}))
	return r
}

// Describe implements prometheus.Collector.
func (c *Collector) Describe(ch chan<- *prometheus.Desc) {
	for _, d := range all {
		ch <- d
	}
}

// Collect implements prometheus.Collector.
func (c *Collector) Collect(ch chan<- prometheus.Metric) {
	out := emitter{ch}
	s, now := c.o.Snapshot(), c.o.Now()
	out.gauge(buildInfo, 1, c.o.Version)
	if u := c.o.ScreenURL; u != "" {
		out.gauge(screenInfo, 1, u)
	}
	out.timestamp(clock, now)
	state(out, s)
	visits(out, s)
	lot(out, s)
	c.belt(out, &s.Belt)
	drift(out, &s.Belt.Drift)
	trial(out, s.Trial)
	supply(out, &s.Supply)
	care(out, s.Care)
	heat(out, &s.Heat)
	ceilings(out, &c.o)
	line(out, &s.Line)
	c.freeSpace(out)
	c.access(out)
	c.backup(out)
	ctx, cancel := context.WithTimeout(context.Background(), readLimit)
	defer cancel()
	// What the ledger does not answer is left out: a count that falls to 0 because a
	// disk is slow would look like a reset.
	err := errors.Join(c.parts(ctx, out, s), c.alerts(ctx, out), c.events.emit(ctx, out), c.production.emit(out, s, now))
	out.gauge(ledgerUp, boolValue(err == nil))
}

// emitter sends constant metrics.
type emitter struct{ ch chan<- prometheus.Metric }

func (e emitter) gauge(d *prometheus.Desc, v float64, labels ...string) {
	e.ch <- prometheus.MustNewConstMetric(d, prometheus.GaugeValue, v, labels...)
}

func (e emitter) counter(d *prometheus.Desc, v float64, labels ...string) {
	e.ch <- prometheus.MustNewConstMetric(d, prometheus.CounterValue, v, labels...)
}

// gaugeIf sends a gauge if it is known, in units of which each is so many of the run's.
func (e emitter) gaugeIf(d *prometheus.Desc, v *float64, each float64, labels ...string) {
	if v != nil && !math.IsNaN(*v) && !math.IsInf(*v, 0) {
		e.gauge(d, *v/each, labels...)
	}
}

// timestamp sends a point in time as Prometheus counts it, if there is one.
func (e emitter) timestamp(d *prometheus.Desc, t time.Time, labels ...string) {
	if !t.IsZero() {
		e.gauge(d, float64(t.UnixMilli())/1000, labels...)
	}
}

// histogram sends round trips by their classes, which Prometheus wants summed up.
func (e emitter) histogram(d *prometheus.Desc, r *serialio.RoundTrips) {
	classes := make(map[float64]uint64, len(r.Counts))
	lines := uint64(0)
	for i, bound := range serialio.RoundTripBounds() {
		lines += r.Counts[i]
		classes[bound.Seconds()] = lines
	}
	e.ch <- prometheus.MustNewConstHistogram(d, r.Lines(), r.Sum.Seconds(), classes)
}

func boolValue(b bool) float64 {
	if b {
		return 1
	}
	return 0
}

// mm are the millimetres in a metre, and the mm/m in a ratio of 1.
const mm = 1000

// metres converts the millimetres of the run.
func metres(length float64) float64 { return length / mm }
