package metrics

import "golang.org/x/sys/unix"

// room tells how much the ledger may still grow. Records that do not fit end the
// run, so that somebody should know before.
func (c *Collector) room(out emitter) {
	if c.o.Dir == "" {
		return
	}
	var fs unix.Statfs_t
	if err := unix.Statfs(c.o.Dir, &fs); err == nil {
		out.gauge(ledgerFree, float64(fs.Bavail)*float64(fs.Bsize))
	}
}
