package metrics

import "github.com/prometheus/client_golang/prometheus"

// prefix begins every name.
const prefix = "beltwarden_"

// entry is a metric as it is described to people.
type entry struct {
	name, help string
	labels     []string
}

// all are the descriptors of the collector and table what they say, filled by desc.
var (
	all   []*prometheus.Desc
	table []entry
)

func desc(name, help string, labels ...string) *prometheus.Desc {
	d := prometheus.NewDesc(prefix+name, help, labels, nil)
	all, table = append(all, d), append(table, entry{prefix + name, help, labels})
	return d
}

// The run and its visits.
var (
	buildInfo  = desc("build_info", "The version that runs; the value is 1.", "version")
	screenInfo = desc("screen_info", "The address of the screen, where alerts link to; the value is 1. Absent without server.public_url.", "url")
	clock      = desc("clock_timestamp_seconds", "The daemon's own clock; attended hours and times of visits go by it.")

	stateSet   = desc("state", "1 for the state of ANSI/ISA-TR88.00.02 that the machine is in, 0 for the others.", "state")
	stateSince = desc("state_since_timestamp_seconds", "When the present state was entered.")
	holdReason = desc("hold_reason", "1 for the reason why the machine waits between parts, 0 for the others.", "reason")
	faultSet   = desc("fault_reason", "1 for the reason why the machine has aborted, 0 for the others.", "reason")

	nextVisit  = desc("next_visit_timestamp_seconds", "When somebody must next be at the machine, as estimated; only while a lot runs.")
	nextEarly  = desc("next_visit_earliest_timestamp_seconds", "The next visit is not due before, with 95 % certainty; only while a lot runs.")
	nextLate   = desc("next_visit_latest_timestamp_seconds", "The next visit is due by then, with 95 % certainty; only while a lot runs.")
	nextParts  = desc("next_visit_parts", "Parts until somebody must be at the machine; only while a lot runs.")
	nextTravel = desc("next_visit_travel_meters", "Belt travel until somebody must be at the machine; only while a lot runs.")
	nextReason = desc("next_visit_reason", "1 for each reason of the next visit, 0 for the others.", "reason")
	visitsLeft = desc("visits_foreseen", "Visits foreseen to the end of the lot, 13 at most; only while a lot runs.")
)

// Parts and orders.
var (
	lotsSet = desc("lots", "Lots in the ledger by status.", "status")

	partsBegun      = desc("cycles_begun_total", "Parts begun, those given up before anything of them was laid among them.")
	partsCompleted  = desc("parts_completed_total", "Parts made: shown complete by the board, or interrupted and decided on at a visit. Those good, scrap and not looked at are as many.")
	partsGood       = desc("parts_good_total", "Parts found good at visits.")
	partsScrapped   = desc("parts_scrapped_total", "Parts found bad at visits, by the reason given; rare reasons count as other.", "reason")
	partsUnverified = desc("parts_unverified", "Parts made that nobody has looked at yet.")
	partsWaiting    = desc("parts_interrupted", "Interrupted parts not decided yet.")

	partBegun    = desc("part_begun_timestamp_seconds", "When the part in progress began; only while there is one.")
	partExpected = desc("part_expected_seconds", "How long the next part takes, as the last ones did or as planned; only with a lot in progress.")

	orderParts      = desc("order_parts", "Good parts ordered by the lot in progress.")
	orderMade       = desc("order_made_parts", "Parts made of the lot in progress.")
	orderGood       = desc("order_good_parts", "Parts of the lot in progress found good.")
	orderScrap      = desc("order_scrapped_parts", "Parts of the lot in progress found bad, interrupted ones included.")
	orderUnverified = desc("order_unverified_parts", "Parts of the lot in progress made that nobody has looked at yet.")
	orderLeft       = desc("order_remaining_cycles", "Cycles still to begin in the lot in progress, if all parts are good.")
	orderRemaining  = desc("order_remaining_seconds", "Time that the lot in progress still takes as estimated, visits not counted.")
	orderEarly      = desc("order_earliest_timestamp_seconds", "The lot in progress is not made before, with 95 % certainty, visits not counted.")
	orderLate       = desc("order_latest_timestamp_seconds", "The lot in progress is made by then, with 95 % certainty, visits not counted.")
	orderETA        = desc("order_eta_timestamp_seconds", "When the lot in progress is made as estimated, visits not counted.")

	yieldCycles = desc("yield_cycles", "Cycles still to begin so that the ordered parts come out good with 95 % certainty.")
	yieldRatio  = desc("yield_ratio", "Expected fraction of good parts in the lot in progress.")
	yieldLow    = desc("yield_low_ratio", "Lower end of the 95 % interval of the yield of parts looked at.")
	yieldHigh   = desc("yield_high_ratio", "Upper end of the 95 % interval of the yield of parts looked at.")

	oee           = desc("production_oee_ratio", "Overall equipment effectiveness of the lot in progress by ISO 22400-2, parts not looked at counted as not good.")
	availability  = desc("production_availability_ratio", "Availability in the lot in progress, by ISO 22400-2.")
	effectiveness = desc("production_effectiveness_ratio", "Effectiveness in the lot in progress, by ISO 22400-2.")
	qualityRatio  = desc("production_quality_ratio", "Quality ratio of the lot in progress, by ISO 22400-2.")
	oeeMost       = desc("production_oee_if_good_ratio", "What the overall equipment effectiveness becomes if every part not looked at is good.")
	productionFor = desc("production_seconds", "Where the time of the lot in progress has gone.", "class")
)

// Sizes of parts, by the place of the job in the lot.
var (
	sizeSignal    = desc("size_signal", "1 when the newest measured lengths are out of control.")
	sizeMeasured  = desc("size_measured_parts", "Lengths measured for the job at this position of the lot.", "position")
	sizeMissing   = desc("size_missing_parts", "Lengths that control limits still need.", "position")
	sizeNewest    = desc("size_newest_meters", "Length measured last.", "position")
	sizeMean      = desc("size_mean_meters", "Mean of the control chart; once its limits hold.", "position")
	sizeLower     = desc("size_lower_limit_meters", "Lower control limit; once it holds.", "position")
	sizeUpper     = desc("size_upper_limit_meters", "Upper control limit; once it holds.", "position")
	sizeNominal   = desc("size_ordered_meters", "Length ordered.", "position")
	sizeTolerance = desc("size_tolerance_meters", "Tolerance ordered, to either side.", "position")
	sizePp        = desc("size_pp_ratio", "Tolerance over the scatter of lengths, Pp; from 30 lengths without signals on.", "position")
	sizePpk       = desc("size_ppk_ratio", "Performance of lengths, Ppk.", "position")
	sizePpkLow    = desc("size_ppk_low_ratio", "Lower end of the 95 % interval of Ppk.", "position")
	sizeOut       = desc("size_outside_most_ratio", "Fraction of parts out of tolerance at most, with 95 % certainty if lengths are normal.", "position")
)

// The belt.
var (
	beltTravel     = desc("belt_travel_meters_total", "Sum of absolute belt movement, as commanded.")
	beltCalibrated = desc("belt_travel_calibrated_meters_total", "The same by the scale that was set last; absent where none was.")
	beltAdvance    = desc("belt_advance_meters", "Net belt movement, as commanded.")
	beltRealign    = desc("belt_travel_since_realignment_meters", "Belt travel since the belt was realigned.")
	beltCheck      = desc("belt_travel_since_check_meters", "Belt travel since the last check.")
	beltUncertain  = desc("belt_uncertain_meters", "Belt travel that may or may not have been run.")
	beltClear      = desc("belt_clear", "1 when nothing lies under the head and the position is certain.")
	beltOffset     = desc("belt_lateral_offset_meters", "Lateral offset as last measured, to the right positive; absent before it is measured.")
	beltWorst      = desc("belt_lateral_offset_worst_meters", "Largest lateral offset that the assumed rate of drift allows now.")
	beltLimit      = desc("belt_lateral_offset_limit_meters", "Lateral offset beyond which no part may begin.")

	driftReadings = desc("drift_readings", "Readings of the offset that the forecast uses.")
	driftFlagged  = desc("drift_flagged_readings", "Readings left out of the forecast since they do not fit the others.")
	driftMeasured = desc("drift_forecast_measured", "1 when the forecast rests on readings, 0 when on the configured worst rate.")
	driftOffset   = desc("drift_offset_meters", "Lateral offset now, by the line through the readings.")
	driftLow      = desc("drift_offset_low_meters", "Left end of the 95 % interval of that offset.")
	driftHigh     = desc("drift_offset_high_meters", "Right end of the 95 % interval of that offset.")
	driftRate     = desc("drift_rate_ratio", "Lateral drift for each unit of belt travel; 0.001 is 1 mm/m.")
	driftRateLow  = desc("drift_rate_low_ratio", "Lower end of the 95 % interval of that rate.")
	driftRateHigh = desc("drift_rate_high_ratio", "Upper end of the 95 % interval of that rate.")
	driftToLimit  = desc("drift_travel_to_limit_meters", "Belt travel until the line through the readings meets the limit; absent when it never does.")
	driftLower    = desc("drift_travel_to_limit_low_meters", "Belt travel before which the limit is not passed, with 95 % certainty.")
	driftHold     = desc("drift_travel_to_hold_meters", "Belt travel until the machine holds for the offset, by the certainty that the settings ask for.")

	loop      = desc("belt_loop_meters", "Length of the belt's loop; absent when it is not known.")
	seamAhead = desc("seam_ahead_meters", "Where the middle of the belt's seam is, ahead of the nozzle; absent when it is not known.")
	seamDoubt = desc("seam_doubt_meters", "How far off that may be, to either side.")

	surfaceTravel = desc("surface_travel_meters", "Belt travel since the belt's surface was cleaned or taped; absent when it never was.")
	surfaceAt     = desc("surface_renewed_timestamp_seconds", "When that was.")

	trialOpen    = desc("trial_open", "1 while a trial of the belt's alignment is open.")
	trialReading = desc("trial_awaits_reading", "1 when its belt has stopped and the offset is to be read.")
	trialRun     = desc("trial_run_meters", "Belt travel of the open trial in all.")
	trialDone    = desc("trial_done_meters", "Belt travel that the open trial has run.")
)

// What comes from outside.
var (
	filamentMeters = desc("filament_used_meters_total", "Net filament pushed since the process began.")
	spoolLeft      = desc("spool_left_grams", "Filament left on the spool, as calculated; absent when it was not weighed.")
	spoolPart      = desc("spool_part_grams", "Filament that the next part takes; absent when not known.")
	careDone       = desc("care_done_timestamp_seconds", "When care was last done, or counting began, by its place in the configuration.", "position")
	careParts      = desc("care_parts", "Parts that may begin before care is due.", "position")
	binParts       = desc("bin_parts", "Parts made since the bin was emptied; absent until an emptying is recorded.")
	binHolds       = desc("bin_capacity_parts", "Parts that the bin holds; absent when not set.")
)

// Heat and line.
var (
	temperature       = desc("temperature_celsius", "Temperature as last reported by the board.", "sensor")
	temperatureTarget = desc("temperature_target_celsius", "Temperature that the board is heating to; 0 is off.", "sensor")
	ceiling           = desc("temperature_ceiling_celsius", "Highest target that is ever sent, as configured.", "sensor")
	heatersUnsure     = desc("heaters_unconfirmed", "1 while the heaters may be on and the board cannot be reached.")
	temperatureRead   = desc("temperature_read_timestamp_seconds", "When the board last reported temperatures.")

	connected      = desc("serial_connected", "1 while board and daemon are in step.")
	lastHeard      = desc("serial_heard_timestamp_seconds", "When the board last said anything.")
	unanswered     = desc("serial_unanswered_bytes", "Bytes sent that the board has not acknowledged yet.")
	linesSent      = desc("serial_lines_sent_total", "Lines put on the wire, repeats included, since the daemon began.")
	linesAccepted  = desc("serial_lines_accepted_total", "Lines that the board has accepted, since the daemon began.")
	bytesSent      = desc("serial_sent_bytes_total", "Bytes sent, since the daemon began.")
	bytesSaved     = desc("serial_saved_bytes_total", "Bytes by which the lines of jobs were sent shorter than they stand in their files, since the daemon began.")
	bytesReceived  = desc("serial_received_bytes_total", "Bytes received, since the daemon began.")
	resends        = desc("serial_resends_total", "Requests to send a line again that were obeyed, since the daemon began.")
	timeouts       = desc("serial_timeouts_total", "Times that the board did not answer within the reply limit, since the daemon began.")
	garbled        = desc("serial_garbled_total", "Unreadable lines received, since the daemon began.")
	reportsDropped = desc("serial_reports_dropped_total", "Reports of the board that nobody received, since the daemon began.")
	roundTrip      = desc("serial_round_trip_seconds", "Time from sending a line to its acknowledgement, since the daemon began.")
)

// The ledger and what is read from it.
var (
	alertsPending   = desc("alerts_pending", "Alerts not yet delivered.", "channel")
	alertsFailing   = desc("alerts_failing", "Pending alerts with at least one failed attempt.", "channel")
	alertsDelivered = desc("alerts_delivered_total", "Alerts delivered.", "channel")
	alertsOldest    = desc("alerts_oldest_timestamp_seconds", "When the oldest alert that is still to be delivered was raised; absent when there is none.", "channel")
	accessRefused   = desc("access_refused_total", "Requests that were turned away, by why.", "reason")
	accessSessions  = desc("access_sessions", "Browsers that are signed in.")
	eventsSeen      = desc("events_total", "Events recorded in the ledger, by kind.", "kind")
	ledgerBackup    = desc("ledger_backup_timestamp_seconds", "When the newest backup of the ledger was made; absent when there is none.")
	backupFailed    = desc("ledger_backup_failed", "1 while the last try to back up the ledger has failed.")
	ledgerUp        = desc("ledger_up", "1 when the ledger answered this scrape.")
	ledgerFree      = desc("ledger_free_bytes", "Room left for the daemon on the ledger's file system.")
)
