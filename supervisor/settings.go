package supervisor

import (
	"time"

	"beltwarden/serialio"
	"beltwarden/supervisor/gcode"
	"beltwarden/supervisor/heat"
	"beltwarden/supervisor/pace"
)

// Settings are what the run needs to know about machine, belt and house rules. Lengths are
// millimetres, feeds millimetres per minute, temperatures degrees Celsius. The daemon fills them from
// its configuration file.
type Settings struct {
	Machine string            // name of the machine, for alerts and screens
	Port    serialio.Settings // which port
	Conn    serialio.Options  // how to communicate on it

	BeltAxis       gcode.Axis
	Forward        float64 // +1 or -1: sign of the belt coordinate that carries parts to the drop edge
	ForwardUnknown bool    // nobody has said which sign that is: nothing may run the belt but a move to set it up
	LiftAxis       gcode.Axis
	TravelLimitMM  float64 // longest single belt move the board accepts
	StepsPerMM     float64 // belt axis steps/mm the board should report; 0: do not compare

	LoopMM           float64       // belt loop length, for the record; 0: unknown
	SeamMM           float64       // length of the seam along the belt, for the record
	ToDropMM         float64       // from nozzle to drop edge
	OffsetLimitMM    float64       // lateral offset beyond which no part may begin
	WorstDriftMMPerM float64       // mm of offset per metre of travel, assumed until the belt is known
	SpoolG           float64       // filament on a full spool; 0: unknown
	SpoolTareG       float64       // mass of an empty spool, subtracted from the weight
	Care             []Care        // what the owner wants done every so often
	BinParts         int           // parts that the bin holds; 0: not watched
	DiskReserveBytes int64         // bytes that must be free on the ledger's file system before a part; 0: not watched
	Attended         pace.Hours    // when parts may be in progress
	ClockFloor       time.Time     // a clock that shows an earlier time is wrong; zero: any time may be right
	VisitAhead       time.Duration // how long before it is due a visit is announced; 0: never
	HoldCertainty    float64       // probability that the belt is within its limit at a hold; 0 means 0.99

	ReleaseC        float64       // bed temperature at which a part lets go; 0: do not wait
	ReleaseLimit    time.Duration // longest wait for it
	NozzleStandbyC  float64       // nozzle while waiting between parts
	LiftMM          float64       // head lift over the finished part
	ParkXMM         float64       // where the head waits
	Park            bool          // whether to move to ParkXMM at all
	AdvanceFeed     float64
	TravelFeed      float64
	LiftFeed        float64
	RetractMM       float64
	RetractFeed     float64
	GapMM           float64 // free belt between parts
	ClearAtEnd      bool    // run the last parts over the drop edge when the lot is done
	MotorsStayOn    bool    // send M84 S0 before a lot, so that the belt keeps its position
	FirstArticle    bool    // a lot holds after the first part of a job that was not yet found good on the belt's surface
	CheckEveryParts int     // a check every so many parts; 0: none
	CheckEveryMM    float64 // a check every so many mm of travel; 0: none
	CheckEvery      time.Duration
	HeatersOffAfter time.Duration // in a hold, from standby to off
	ReheatLimit     time.Duration // longest heat-up
	PrimeMM         float64       // pushed out after a hold, in addition to what was retracted

	// Now returns the time, with its monotonic part; nil is time.Now. Tests set the clock with it.
	Now func() time.Time

	// NozzleWatch and BedWatch are the limits for the heaters' readings; zero means heat.NozzleLimits
	// and heat.BedLimits without a ceiling.
	NozzleWatch, BedWatch heat.Limits
	BoardIdle             time.Duration // how long without a move while heaters may be on until the board halts (M85); 0: not set
	ReadingTimeout        time.Duration // how long a board may report no temperature while it heats, before that is a fault
	ProofWithin           time.Duration // time after a fault until falling readings must show that the heaters are off
	TargetSlackC          float64       // by how much somebody at the machine may change a target of a run

	// AutoResumePerDay is how often in 24 h the machine may resume by itself after a fault of cable or
	// computer that occurred between parts; 0: never. AutoResumeAfter is the time that people have to
	// prevent it.
	AutoResumePerDay int
	AutoResumeAfter  time.Duration

	PollEvery     time.Duration // interval of temperature queries, for a board that does not report by itself
	ProgressEvery time.Duration // interval of saving the belt position to the ledger while a part runs
	RetryFirst    time.Duration // first wait before a port is tried again
	RetryMax      time.Duration
	StopWithin    time.Duration // bound on the orderly end of the process
	StuckAfter    time.Duration // how long a board may accept no line of a program, before that is a fault
}

// withDefaults fills what must not be zero.
func (s Settings) withDefaults() Settings {
	set := func(v *time.Duration, d time.Duration) {
		if *v <= 0 {
			*v = d
		}
	}
	set(&s.PollEvery, 2*time.Second)
	set(&s.ProgressEvery, 30*time.Second)
	set(&s.RetryFirst, time.Second)
	set(&s.RetryMax, 30*time.Second)
	set(&s.StopWithin, 3*time.Minute) // a nozzle heats up in less, and not every board can be made to stop waiting
	set(&s.StuckAfter, 40*time.Minute)
	set(&s.ReheatLimit, 20*time.Minute)
	set(&s.ReadingTimeout, 2*time.Minute)
	set(&s.ProofWithin, 5*time.Minute)
	set(&s.AutoResumeAfter, 5*time.Minute)
	if s.NozzleWatch == (heat.Limits{}) {
		s.NozzleWatch = heat.NozzleLimits(0, heat.OverC)
	}
	if s.BedWatch == (heat.Limits{}) {
		s.BedWatch = heat.BedLimits(0, heat.OverC)
	}
	set(&s.ReleaseLimit, time.Hour)
	for _, f := range []*float64{&s.AdvanceFeed, &s.TravelFeed, &s.LiftFeed, &s.RetractFeed} {
		if *f <= 0 {
			*f = 600
		}
	}
	if s.Forward == 0 {
		s.Forward = 1
	}
	if s.TravelLimitMM <= 0 {
		s.TravelLimitMM = 100
	}
	return s
}
