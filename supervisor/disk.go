package supervisor

import "fmt"

// FreeSpace reports the free space on the ledger's file system. It is measured outside the run,
// which must not wait for a disk.
type FreeSpace struct{ FreeBytes int64 }

func (FreeSpace) event() {}

// diskSpace is what is known of the free space.
type diskSpace struct {
	known    bool
	free     int64
	low      bool // too low for a part to begin
	restored bool // enough again since a suspension for it, which only waits for an unsuspend
}

// spaceSlack is by which fraction the free space must exceed the reserve to count as enough again:
// space freed by log rotation is soon used up.
const spaceSlack = 0.2

// handleFreeSpace applies a measurement, and calls the operator once when there is enough space
// again.
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
	// The machine does not start moving unasked: somebody may be taking parts off.
	m.cause.Text, m.disk.restored = "there is room on the disk again: you can let it go on", true
	m.note("disk", m.cause.Text)
	m.alert(CauseDisk, m.cause.Text)
}

// checkSpace refuses a lot while its records do not fit on the disk.
func (m *Machine) checkSpace(what string) error {
	if !m.disk.low {
		return nil
	}
	return &Refusal{What: what, Why: m.spaceText(), Remedy: remedySpace}
}

const remedySpace = "make room on the ledger's disk: remove old jobs and copies, or move files that are not beltwarden's"

// spaceText describes the shortage.
func (m *Machine) spaceText() string {
	return fmt.Sprintf("%d MB are free on the ledger's disk, and %d MB are needed to keep the count",
		m.disk.free/1e6, m.set.DiskReserveBytes/1e6)
}
