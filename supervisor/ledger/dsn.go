package ledger

import (
	"fmt"
	"net/url"
	"strings"

	"modernc.org/sqlite"
)

// role is the purpose of a connection.
type role int

const (
	roleWriter role = iota
	roleReader
	roleProbe  // reads a file before anything may change it
	roleMender // rolls back an interrupted creation of a file
)

// logBytes is how much of the write-ahead log stays on the disk: twice the size at which it is
// checkpointed.
const logBytes = 8 << 20

// sourceName builds the name by which the driver opens a connection. It is the only place that does.
func (o Options) sourceName(path string, r role) string {
	base := "file:" + (&url.URL{Path: path}).EscapedPath()
	switch {
	case o.DSN != "":
		base = o.DSN
	case o.Memory:
		base = "file::memory:"
	}
	params := []string{"_dqs=0", "_defensive=1", "_error_rc=1", "_busy_timeout=5000",
		"_pragma=foreign_keys(1)", "_pragma=trusted_schema(0)", "_pragma=cell_size_check(1)"}
	switch r {
	case roleWriter:
		// FULL syncs the write-ahead log at every commit: a commit that has returned survives the loss of power.
		params = append(params, "_pragma=journal_mode(WAL)", "_pragma=synchronous(FULL)",
			// The log may grow beyond it during a long read, and is truncated at the next checkpoint.
			fmt.Sprintf("_pragma=journal_size_limit(%d)", logBytes))
	case roleReader, roleProbe:
		params = append(params, "mode=ro")
	case roleMender:
		params = append(params, "mode=rw")
	}
	sep := "?"
	if strings.Contains(base, "?") {
		sep = "&"
	}
	return base + sep + strings.Join(params, "&")
}

// onFile reports whether the ledger is a file of its own, with a lock beside it.
func (o Options) onFile() bool { return o.DSN == "" && !o.Memory }

// syncDataOnly makes commits skip the sync of file timestamps, which on a journalling file system costs about as much as
// the data itself. Durability is the same; where the call does not exist the driver goes on with fsync.
func syncDataOnly() { _, _ = sqlite.Fdatasync(true) }
