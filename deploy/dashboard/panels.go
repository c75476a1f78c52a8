package main

import (
	"github.com/grafana/grafana-foundation-sdk/go/cog"
	"github.com/grafana/grafana-foundation-sdk/go/common"
	"github.com/grafana/grafana-foundation-sdk/go/dashboard"
	"github.com/grafana/grafana-foundation-sdk/go/statetimeline"
)

// in is how far ahead of the daemon's own clock a time is.
func in(metric string) string { return of(metric) + " - " + of("clock_timestamp_seconds") }

// mm makes millimetres of a length: those of the belt and of parts are read so.
func mm(expr string) string { return expr + " * 1000" }

// rows are the questions in the order in which an operator asks them.
func rows() []row {
	return []row{visit(), count(), offset(), sizes(), heat(), line(), hours(), alerts()}
}

type panels = []cog.Builder[dashboard.Panel]

func visit() row {
	return row{"When must I be there, and why?", panels{
		danger(figure("Heaters in doubt", "They may be on and the board cannot be reached. Go there and cut the mains.", "none", 24, of("heaters_unconfirmed")).Height(4),
			"no heater in doubt", "CUT THE MAINS: heaters may be on"),
		below(figure("Next visit in", "Time until somebody must be at the machine. The machine holds by itself when nobody comes.", "s", 5,
			in("next_visit_timestamp_seconds")).NoValue("no lot runs"), 900, orange),
		words("What for", "The reasons of the next visit.", "no lot runs", 5, query(of("next_visit_reason", "reason")+" == 1", "{{reason}}")),
		figure("Parts until then", "Parts that are made before the visit.", "none", 3, of("next_visit_parts")).NoValue("-"),
		figure("Not before", "With 95 % certainty the visit is not due before.", "s", 3, in("next_visit_earliest_timestamp_seconds")).NoValue("-"),
		words("It is", "The state of the machine, by ANSI/ISA-TR88.00.02.", "not known", 3, query(of("state", "state")+" == 1", "{{state}}")),
		words("It waits or has stopped for", "Why the machine waits between parts, or has aborted.", "nothing", 5,
			query(of("hold_reason", "reason")+" == 1", "waits: {{reason}}"), query(of("fault_reason", "reason")+" == 1", "fault: {{reason}}")),
		statetimeline.NewPanelBuilder().Title("What it did").Description("States of the machine over time.").Datasource(source()).Span(24).Height(7).
			ShowValue(common.VisibilityModeNever).MergeValues(true).FillOpacity(70).
			Legend(common.NewVizLegendOptionsBuilder().ShowLegend(false).DisplayMode(common.LegendDisplayModeHidden).Placement(common.LegendPlacementBottom)).
			ColorScheme(dashboard.NewFieldColorBuilder().Mode(dashboard.FieldColorModeIdFixed).FixedColor(sky)).
			WithTarget(query(of("state", "state")+" == 1", "{{state}}").RefId(letter(0))),
	}}
}

func count() row {
	return row{"How many good parts, and where are the others?", panels{
		figure("Good of the order", "Parts found good at visits, as a share of those ordered.", "percentunit", 4, of("order_good_parts")+" / "+of("order_parts")).NoValue("no lot"),
		figure("Not looked at", "Parts made that nobody has looked at yet.", "none", 4, of("order_unverified_parts")).NoValue("-"),
		figure("Still to begin", "Cycles to begin so that the order comes out good with 95 % certainty, by the scrap so far.", "none", 4, of("yield_cycles")).NoValue("-"),
		figure("All made in", "Time that the lot still takes, visits not counted.", "s", 4, of("order_remaining_seconds")).NoValue("-"),
		below(figure("Parts left on the spool", "By what was used since it was weighed.", "none", 4, "floor("+of("spool_left_grams")+" / "+of("spool_part_grams")+")").NoValue("not weighed"), 3, orange),
		figure("In the bin", "Parts made since the bin was emptied, as a share of what it holds.", "percentunit", 4, of("bin_parts")+" / "+of("bin_capacity_parts")).NoValue("not known"),
		chart("The order", "The lot in progress against what was ordered.", "none", 16,
			curve{expr: of("order_parts"), name: "ordered", colour: plain, dashed: true},
			curve{expr: of("order_made_parts"), name: "made", colour: sky, under: "good"},
			curve{expr: of("order_good_parts"), name: "good", colour: green},
			curve{expr: of("order_scrapped_parts"), name: "scrap", colour: orange}).Min(0),
		chart("Scrap by the operator's word", "All lots together.", "none", 8,
			curve{expr: of("parts_scrapped_total", "reason") + " > 0", name: "{{reason}}"}).Min(0),
	}}
}

func offset() row {
	return row{"How far until the belt is off?", panels{
		chart("Lateral offset", "To the right is plus, seen from the operator's side. The band is the 95 % interval of the line through the readings.", "lengthmm", 12,
			curve{expr: mm(of("belt_lateral_offset_limit_meters")), name: "limit right", colour: orange, dashed: true},
			curve{expr: mm("-" + of("belt_lateral_offset_limit_meters")), name: "limit left", colour: orange, dashed: true},
			curve{expr: mm(of("drift_offset_high_meters")), name: "at most", colour: sky, under: "at least"},
			curve{expr: mm(of("drift_offset_low_meters")), name: "at least", colour: sky},
			curve{expr: mm(of("drift_offset_meters")), name: "forecast", colour: blue, dashed: true},
			curve{expr: mm(of("belt_lateral_offset_meters")), name: "last read", colour: green, points: true}).AxisCenteredZero(true),
		chart("Belt that is left", "Belt travel until the machine holds for the offset, and until the limit is met by the line through the readings.", "lengthm", 12,
			curve{expr: of("drift_travel_to_hold_meters"), name: "until it holds", colour: blue},
			curve{expr: of("drift_travel_to_limit_low_meters"), name: "limit, 95 % certain", colour: amber, dashed: true},
			curve{expr: of("drift_travel_to_limit_meters"), name: "limit, by the line", colour: plain, dashed: true},
			curve{expr: of("next_visit_travel_meters"), name: "next visit", colour: green, points: true}).Min(0),
		figure("Drift", "Sideways movement for each metre of belt travel.", "none", 6, mm(of("drift_rate_ratio"))).Unit("suffix: mm/m").Decimals(3).NoValue("too few readings"),
		figure("Since the last check", "Belt travel.", "lengthm", 6, of("belt_travel_since_check_meters")),
		figure("Run in all", "Sum of absolute belt movement, as commanded.", "lengthm", 6, of("belt_travel_meters_total")),
		above(figure("May or may not have been run", "Belt travel that is uncertain since power or line was lost.", "lengthmm", 6, mm(of("belt_uncertain_meters"))), 0.001, orange),
	}}
}

func sizes() row {
	return row{"Do the parts keep their size?", panels{
		chart("Length measured", "By place of the job in the lot: last length, control limits, and what was ordered.", "lengthmm", 18,
			curve{expr: mm("(" + of("size_ordered_meters", "position") + " + " + of("size_tolerance_meters", "position") + ")"), name: "largest ordered, job {{position}}"},
			curve{expr: mm(of("size_upper_limit_meters", "position")), name: "upper limit, job {{position}}"},
			curve{expr: mm(of("size_newest_meters", "position")), name: "measured, job {{position}}"},
			curve{expr: mm(of("size_mean_meters", "position")), name: "mean, job {{position}}"},
			curve{expr: mm(of("size_lower_limit_meters", "position")), name: "lower limit, job {{position}}"},
			curve{expr: mm("(" + of("size_ordered_meters", "position") + " - " + of("size_tolerance_meters", "position") + ")"), name: "smallest ordered, job {{position}}"}).
			Decimals(2).OverrideByRegexp("/limit|mean/", append(paint(amber), dashes)).OverrideByRegexp("/ordered/", append(paint(orange), dashes)).OverrideByRegexp("/measured/", append(paint(blue), dots...)),
		below(figure("Performance, at least", "Lower end of the 95 % interval of Ppk. 1.33 is a common requirement (common practice, no source).", "none", 6, of("size_ppk_low_ratio", "position")).
			NoValue("too few lengths").Decimals(2), 1, orange),
	}}
}

func heat() row {
	return row{"Is it hot?", panels{
		chart("Temperature", "As the board reports it. A cold reading is not a cold nozzle: keep hands off.", "celsius", 24,
			curve{expr: with("temperature_celsius", `sensor="nozzle"`), name: "nozzle", colour: orange},
			curve{expr: with("temperature_target_celsius", `sensor="nozzle"`), name: "nozzle, wanted", colour: orange, dashed: true},
			curve{expr: with("temperature_celsius", `sensor="bed"`), name: "bed", colour: blue},
			curve{expr: with("temperature_target_celsius", `sensor="bed"`), name: "bed, wanted", colour: blue, dashed: true},
			curve{expr: with("temperature_ceiling_celsius", `sensor="nozzle"`), name: "nozzle, ceiling", colour: red, dashed: true},
			curve{expr: with("temperature_ceiling_celsius", `sensor="bed"`), name: "bed, ceiling", colour: red, dashed: true}).Min(0),
	}}
}

func line() row {
	return row{"How is the line to the board?", panels{
		chart("Lines each second", "What was put on the wire and what the board has taken.", "none", 8,
			curve{expr: rate("serial_lines_sent_total"), name: "sent", colour: blue},
			curve{expr: rate("serial_lines_accepted_total"), name: "taken", colour: green, dashed: true}).Min(0),
		chart("Round trip", "From sending a line to its acknowledgement.", "s", 8,
			curve{expr: quantile("0.5"), name: "half of them within", colour: blue},
			curve{expr: quantile("0.99"), name: "99 % within", colour: orange, dashed: true}).Min(0),
		chart("Trouble each minute", "Lines wanted again, silences, answers without sense.", "none", 8,
			curve{expr: rate("serial_resends_total") + " * 60", name: "wanted again", colour: orange},
			curve{expr: rate("serial_timeouts_total") + " * 60", name: "no answer", colour: blue, dashed: true},
			curve{expr: rate("serial_garbled_total") + " * 60", name: "without sense", colour: plain, dashed: true}).Min(0),
	}}
}

func hours() row {
	return row{"Where has the time of the lot gone?", panels{
		chart("Time by class", "Seconds since the lot was opened, by what they went into.", "s", 16,
			curve{expr: of("production_seconds", "class") + " > 0", name: "{{class}}"}).Min(0),
		figure("Overall effectiveness", "By ISO 22400-2; parts not looked at count as not good.", "percentunit", 4, of("production_oee_ratio")).NoValue("no part yet"),
		figure("If all of them are good", "The same if every part not looked at is good.", "percentunit", 4, of("production_oee_if_good_ratio")).NoValue("no part yet"),
	}}
}

func alerts() row {
	return row{"Would anybody hear of trouble?", panels{
		chart("Alerts that wait", "By receiver. What waits is sent when the receiver can be reached again.", "none", 6,
			curve{expr: of("alerts_pending", "channel"), name: "{{channel}}"}).Min(0),
		chart("Noted each hour", "What the daemon has noted, by kind.", "none", 6,
			curve{expr: `max by (machine, kind) (increase(beltwarden_events_total{machine="$machine"}[1h])) > 0`, name: "{{kind}}"}).Min(0),
		chart("Turned away each hour", "Requests that the daemon refused, by why. Wrong secrets are somebody's, or a program's that has an old one.", "none", 6,
			curve{expr: `max by (machine, reason) (increase(beltwarden_access_refused_total{machine="$machine"}[1h])) > 0`, name: "{{reason}}"}).Min(0),
		above(figure("Clock off by", "The daemon's clock against the server's.", "s", 3,
			`max by (machine) (abs(beltwarden_clock_timestamp_seconds{machine="$machine"} - timestamp(beltwarden_clock_timestamp_seconds{machine="$machine"})))`), 30, orange),
		below(figure("Room for the ledger", "On its file system.", "bytes", 3, of("ledger_free_bytes")), 200e6, orange),
	}}
}

// quantile is the time within which a share of the lines is acknowledged.
func quantile(share string) string {
	return `histogram_quantile(` + share + `, sum by (machine, le) (rate(beltwarden_serial_round_trip_seconds_bucket{machine="$machine"}[$__rate_interval])))`
}
