package metrics

import "github.com/prometheus/client_golang/prometheus"

// all are the descriptors of the collector, filled by desc.
var all []*prometheus.Desc

func desc(name, help string, labels ...string) *prometheus.Desc {
	d := prometheus.NewDesc("beltwarden_"+name, help, labels, nil)
	all = append(all, d)
	return d
}

var (
	buildInfo = desc("build_info", "The version that runs; the value is 1.", "version")

	stateSet   = desc("state", "1 for the state of ANSI/ISA-TR88.00.02 that the machine is in, 0 for the others.", "state")
	stateSince = desc("state_since_timestamp_seconds", "When the present state was entered.")
	holdReason = desc("hold_reason", "1 for the reason why the machine waits between parts, 0 for the others.", "reason")
	faultSet   = desc("fault_reason", "1 for the reason why the machine has aborted, 0 for the others.", "reason")
	nextVisit  = desc("next_visit_timestamp_seconds", "When somebody must next be at the machine, as estimated; only while a lot runs.")
	nextParts  = desc("next_visit_parts", "Parts until somebody must be at the machine; only while a lot runs.")

	partsBegun      = desc("cycles_begun_total", "Parts begun.")
	partsCompleted  = desc("parts_completed_total", "Parts shown complete by the board or found good at a visit.")
	partsGood       = desc("parts_good_total", "Parts found good at visits.")
	partsScrapped   = desc("parts_scrapped_total", "Parts found bad at visits, by the operator's word; rare words are counted as other.", "reason")
	partsUnverified = desc("parts_unverified", "Parts made that nobody has looked at yet.")
	partsWaiting    = desc("parts_interrupted", "Interrupted parts that wait for the operator's word.")
	orderParts      = desc("order_parts", "Good parts ordered by the lot in work.")
	orderLeft       = desc("order_remaining_cycles", "Cycles still to begin in the lot in work, if all parts are good.")
	orderRemaining  = desc("order_remaining_seconds", "Time that the lot in work still takes as estimated, visits not counted.")
	orderETA        = desc("order_eta_timestamp_seconds", "When the lot in work is made as estimated, visits not counted.")

	beltTravel     = desc("belt_travel_meters_total", "Sum of absolute belt movement, as commanded.")
	beltAdvance    = desc("belt_advance_meters", "Net belt movement, as commanded.")
	beltRealign    = desc("belt_travel_since_realignment_meters", "Belt travel since the belt was realigned.")
	beltCheck      = desc("belt_travel_since_check_meters", "Belt travel since the last check.")
	beltUncertain  = desc("belt_uncertain_meters", "Belt travel that may or may not have been run.")
	beltClear      = desc("belt_clear", "1 when nothing lies under the head and the position is certain.")
	beltOffset     = desc("belt_lateral_offset_meters", "Lateral offset as last measured, to the right positive; absent before it is measured.")
	beltWorst      = desc("belt_lateral_offset_worst_meters", "Largest lateral offset that the assumed rate of drift allows now.")
	beltLimit      = desc("belt_lateral_offset_limit_meters", "Lateral offset beyond which no part may begin.")
	filamentMeters = desc("filament_used_meters_total", "Net filament pushed since the process began.")

	temperature       = desc("temperature_celsius", "Temperature as last reported by the board.", "sensor")
	temperatureTarget = desc("temperature_target_celsius", "Temperature that the board is heating to; 0 is off.", "sensor")
	heatersUnsure     = desc("heaters_unconfirmed", "1 while the heaters may be on and the board cannot be reached.")
	temperatureRead   = desc("temperature_read_timestamp_seconds", "When the board last reported temperatures.")

	connected      = desc("serial_connected", "1 while board and daemon are in step.")
	linesSent      = desc("serial_lines_sent_total", "Lines put on the wire, repeats included, since the daemon began.")
	linesAccepted  = desc("serial_lines_accepted_total", "Lines that the board has taken, since the daemon began.")
	bytesSent      = desc("serial_sent_bytes_total", "Bytes sent, since the daemon began.")
	bytesSaved     = desc("serial_saved_bytes_total", "Bytes by which the lines of jobs were sent shorter than they stand in their files, since the daemon began.")
	bytesReceived  = desc("serial_received_bytes_total", "Bytes received, since the daemon began.")
	resends        = desc("serial_resends_total", "Requests to send a line again that were obeyed, since the daemon began.")
	timeouts       = desc("serial_timeouts_total", "Times that the board did not answer within the reply limit, since the daemon began.")
	garbled        = desc("serial_garbled_total", "Lines received that made no sense, since the daemon began.")
	reportsDropped = desc("serial_reports_dropped_total", "Reports of the board that nobody received, since the daemon began.")
	roundTrip      = desc("serial_round_trip_seconds", "Time from sending a line to its acknowledgement, since the daemon began.")

	alertsPending   = desc("alerts_pending", "Alerts not yet delivered.", "channel")
	alertsFailing   = desc("alerts_failing", "Pending alerts with at least one failed attempt.", "channel")
	alertsDelivered = desc("alerts_delivered_total", "Alerts delivered.", "channel")
	ledgerUp        = desc("ledger_up", "1 when the ledger answered this scrape.")
)
