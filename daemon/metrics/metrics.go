// Package metrics tells a Prometheus server how the run stands. It reads
// published snapshots and the ledger's counts when it is asked, in base units:
// metres, seconds, degrees Celsius. The number of its series is bounded; nothing
// is labelled with a lot, a job or a part.
package metrics

import (
	"context"
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
	AlertQueue(ctx context.Context) ([]ledger.Channel, error)
}

// Options are what a collector is made of.
type Options struct {
	Snapshot func() *supervisor.Snapshot
	Ledger   Ledger
	Version  string
	// Channels are the names of the receivers of alerts that are configured.
	Channels []string
}

// Collector is a [prometheus.Collector] over one run.
type Collector struct {
	o        Options
	totals   totals
	filament highWater
}

// New returns a collector.
func New(o Options) *Collector {
	return &Collector{o: o, totals: totals{ledger: o.Ledger, turn: make(chan struct{}, 1)}}
}

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
	s := c.o.Snapshot()
	out.gauge(buildInfo, 1, c.o.Version)
	c.state(out, s)
	c.belt(out, s)
	heat(out, &s.Heat)
	line(out, &s.Line)
	lot(out, s)
	ctx, cancel := context.WithTimeout(context.Background(), readLimit)
	defer cancel()
	// What the ledger does not tell is left out: a count that falls to 0 because a
	// disk is slow would look like a reset.
	parts := c.parts(ctx, out, s)
	alerts := c.alerts(ctx, out)
	out.gauge(ledgerUp, truth(parts == nil && alerts == nil))
}

// emitter sends constant metrics.
type emitter struct{ ch chan<- prometheus.Metric }

func (e emitter) gauge(d *prometheus.Desc, v float64, labels ...string) {
	e.ch <- prometheus.MustNewConstMetric(d, prometheus.GaugeValue, v, labels...)
}

func (e emitter) counter(d *prometheus.Desc, v float64, labels ...string) {
	e.ch <- prometheus.MustNewConstMetric(d, prometheus.CounterValue, v, labels...)
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

func truth(b bool) float64 {
	if b {
		return 1
	}
	return 0
}

// metres converts the millimetres of the run.
func metres(mm float64) float64 { return mm / 1000 }

// seconds is a point in time as Prometheus counts it.
func seconds(t time.Time) float64 { return float64(t.UnixMilli()) / 1000 }
