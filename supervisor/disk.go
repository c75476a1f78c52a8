package supervisor

import "fmt"

// FreeSpace says how much room is left on the ledger's file system. It is measured outside
// the run, which must not wait for a disk.
type FreeSpace struct{ FreeBytes int64 }

func (FreeSpace) event() {}

// diskSpace is what is known of that room.
type diskSpace struct {
	known    bool
	free     int64
	low      bool // no part begins
	restored bool // a suspension for it waits for nothing but a word
}

// spaceSlack is by which share of the bound there must be more room before it is called
// enough again: what is freed by rotation of a log would be taken again at once.
const spaceSlack = 0.2

// handleFreeSpace takes in a measurement, and calls once where there is enough again.
func (m *Machine) handleFreeSpace(free int64) {
	need := m.set.DiskReserveBytes
	if need <= 0 {
		return
	}
	if m.disk.low {
		need += int64(spaceSlack * float64(need))
	}
	m.disk = diskSpace{known: true, free: free, low: free < need, restored: m.disk.restored && free >= need && m.state == Suspended}
	if m.disk.low || m.disk.restored || m.state != Suspended || m.cause.Code != CauseDisk {
		return
	}
	// Nothing moves by itself beside somebody who takes parts off meanwhile: a word lets it go on.
	m.cause.Text, m.disk.restored = "there is room on the disk again: you can let it go on", true
	m.note("disk", m.cause.Text)
	m.alert(CauseDisk, m.cause.Text)
}

// checkSpace refuses to take an order while there is no room for the records of it.
func (m *Machine) checkSpace(what string) error {
	if !m.disk.low {
		return nil
	}
	return &Refusal{What: what, Why: m.spaceText(), Remedy: remedySpace}
}

const remedySpace = "make room on the ledger's disk: remove old jobs and copies, or move files that are not beltwarden's"

// spaceText is the shortage in words.
func (m *Machine) spaceText() string {
	return fmt.Sprintf("%d MB are free on the ledger's disk, and %d MB are needed to keep the count",
		m.disk.free/1e6, m.set.DiskReserveBytes/1e6)
}
