package supervisor

// Cause is why the machine is in its state: a short code for metrics and
// alerts, and words for the operator.
type Cause struct {
	Code string `json:"code"`
	Text string `json:"text"`
}

// Codes of causes.
const (
	CauseOperator    = "operator"
	CauseCheckParts  = "check_parts"  // so many parts since the last check
	CauseCheckTravel = "check_travel" // so much belt travel since the last check
	CauseCheckTime   = "check_time"   // so long since the last check
	CauseOffset      = "offset_limit" // lateral offset at or near its limit
	CauseFilament    = "filament"     // the spool does not hold another part (starved)
	CauseBin         = "bin_full"     // the bin holds no more parts (blocked)
	CauseUnattended  = "unattended"   // a part would end outside the attended hours
	CauseDisk        = "disk_low"     // the ledger's disk has little room left
	CauseCare        = "care"         // something of the owner's own is to be done
	CauseSize        = "part_size"    // measured lengths are out of control
	CauseLink        = "link"         // cable, port or board is gone
	CauseBoard       = "board"        // the board halted or restarted
	CauseHeat        = "heat"         // a temperature did not come
	CauseHeatOdd     = "heat_unusual" // a heater is not as it used to be, and still within its limits
	CauseHeatOff     = "heat_off"     // the heaters are shown to be off
	CauseLedger      = "ledger"       // records cannot be kept
	CauseJob         = "job"          // the job file cannot be read as inspected
	CauseRestart     = "restart"      // the daemon came back and found work unfinished
	CauseShutdown    = "shutdown"     // the daemon is ending
	CauseDone        = "done"         // the work is finished
	CauseVisit       = "visit_soon"   // a visit comes near
	CauseAccess      = "access"       // somebody tries to get in
	CauseGoOn        = "go_on"        // it goes on by itself after a fault
)
