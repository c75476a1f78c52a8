package supervisor

import "fmt"

// RoomLeft says how much room is left on the ledger's file system. It is measured outside
// the run, which must not wait for a disk.
type RoomLeft struct{ FreeBytes int64 }

func (RoomLeft) event() {}

// diskRoom is what is known of that room.
type diskRoom struct {
	told  bool
	free  int64
	low   bool // no part begins
	again bool // a suspension for it waits for nothing but a word
}

// roomSlack is by which share of the bound there must be more room before it is called
// enough again: what is freed by rotation of a log would be taken again at once.
const roomSlack = 0.2

// roomLeft takes in a measurement, and calls once where there is enough again.
func (m *Machine) roomLeft(free int64) {
	need := m.set.DiskReserve
	if need <= 0 {
		return
	}
	if m.room.low {
		need += int64(roomSlack * float64(need))
	}
	m.room = diskRoom{told: true, free: free, low: free < need, again: m.room.again && free >= need && m.state == Suspended}
	if m.room.low || m.room.again || m.state != Suspended || m.cause.Code != CauseDisk {
		return
	}
	// Nothing moves by itself beside somebody who takes parts off meanwhile: a word lets it go on.
	m.cause.Text, m.room.again = "there is room on the disk again: you can let it go on", true
	m.note("disk", m.cause.Text)
	m.alert(CauseDisk, m.cause.Text)
}

// mayKeep refuses to take an order while there is no room for the records of it.
func (m *Machine) mayKeep(what string) error {
	if !m.room.low {
		return nil
	}
	return &Refusal{What: what, Why: m.roomText(), Remedy: remedyRoom}
}

const remedyRoom = "make room on the ledger's disk: remove old jobs and copies, or move files that are not beltwarden's"

// roomText is the shortage in words.
func (m *Machine) roomText() string {
	return fmt.Sprintf("%d MB are free on the ledger's disk, and %d MB are needed to keep the count",
		m.room.free/1e6, m.set.DiskReserve/1e6)
}
