package metrics

import "beltwarden/daemon/disk"

// room sends how much the ledger may still grow. Records that do not fit end the
// run, so that somebody should know before.
func (c *Collector) room(out emitter) {
	if c.o.Dir == "" {
		return
	}
	if free, err := disk.Free(c.o.Dir); err == nil {
		out.gauge(ledgerFree, float64(free))
	}
}

// backup sends how old the newest backup is.
func (c *Collector) backup(out emitter) {
	if c.o.Backup == nil {
		return
	}
	made, failed := c.o.Backup()
	out.timestamp(ledgerBackup, made)
	out.gauge(backupFailed, boolValue(failed))
}

// access sends the counts of strangers and guests.
func (c *Collector) access(out emitter) {
	if c.o.Access == nil {
		return
	}
	for why, n := range c.o.Access.Refused() {
		out.counter(accessRefused, float64(n), why)
	}
	out.gauge(accessSessions, float64(c.o.Access.Sessions()))
}
