package metrics

import "beltwarden/daemon/disk"

// freeSpace sends the free space on the ledger's disk: a full disk ends the run, so somebody should
// know before.
func (c *Collector) freeSpace(out emitter) {
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

// access sends how many requests were refused and how many browsers are signed in.
func (c *Collector) access(out emitter) {
	if c.o.Access == nil {
		return
	}
	for why, n := range c.o.Access.Refused() {
		out.counter(accessRefused, float64(n), why)
	}
	out.gauge(accessSessions, float64(c.o.Access.Sessions()))
}
