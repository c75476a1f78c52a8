package config

import "time"

// Settings are everything in the configuration file of the daemon. Lengths
// are millimetres on the belt or the filament, temperatures degrees Celsius,
// feeds millimetres per minute as on the wire, times durations.
type Settings struct {
	Machine   Machine
	Belt      Belt
	Discharge Discharge
	Hold      Hold
	Heat      Heat
	Fault     Fault
	Job       Job
	Motion    Motion
	Costs     Costs
	Report    Report
	Ledger    Ledger
	Server    Server
	Alerts    Alerts
	Log       Log
}

// Machine describes the board and its port.
type Machine struct {
	Name     string // shown to the operator and put into alerts
	Port     string // absolute device path, by preference under /dev/serial/by-id; required
	BaudRate int    // bit/s, 115200 to 1000000

	// WindowBytes is the number of bytes that may be unanswered; 0 sends one
	// line at a time. More than the board's receive buffer loses bytes.
	WindowBytes int
	// DropBlanks leaves out the blanks between the words of a line that a board
	// does not need if it finds words by their letters.
	DropBlanks   bool
	ResetWait    time.Duration // how long a board may take to say that it has started
	ReplyLimit   time.Duration // longest wait for an answer before the board is asked again
	SilenceLimit time.Duration // longest total silence before the board is given up

	BeltAxis  Axis   // AxisY (gantry upright) or AxisZ (gantry tilted); required
	Forward   int    // +1 or -1: the sign of the belt axis that carries parts to the drop edge, 0 while that is not known; required
	HomedAxes []Axis // axes with an end stop, never the belt axis
	LiftAxis  Axis   // axis that takes the nozzle off a part

	// Head is how far the head reaches along the belt, by height above the nozzle's tip.
	Head []HeadStep
	// RangeMM are the ends of what X, Y and Z can go to; an unwritten one is not judged.
	RangeMM struct{ X, Y, Z Range }

	TravelLimitMM  float64 // longest single belt move the board takes
	BeltStepsPerMM float64 // what the board must report; 0 does not compare

	NozzleCeilingC      float64 // no target above this is ever sent
	BedCeilingC         float64 // no target above this is ever sent
	CeilingAcknowledged bool    // the owner has said that a nozzle ceiling above 300 C is meant

	TemperaturePoll time.Duration // time between temperature reports
	// MotorsStayOn sets on the board before each lot that it never releases its motors by
	// itself. Without it a long hold loses the position of every part.
	MotorsStayOn bool
}

// HeadStep says that everything of the head, and of the beam it hangs on, that is
// higher than AboveMM above the nozzle's tip reaches so far along the belt.
type HeadStep struct {
	AboveMM  float64
	FrontMM  float64 // towards the drop edge
	BehindMM float64 // away from it
}

// Range is [lowest, highest] of an axis, mm; two equal ends say nothing.
type Range [2]float64

// Care is something to be done at the machine every so often; 0 is no bound.
type Care struct {
	Name       string
	EveryM     float64 // metres of belt travel
	EveryParts int     // made
	EveryHours float64 // in which parts were made
	EveryDays  float64
}

// Belt describes the belt and how far it may drift.
type Belt struct {
	LoopLengthMM     float64 // once round; 0 when it is not known
	SeamWidthMM      float64 // stretch of belt on which no part may lie; 0 for none
	ToDropMM         float64 // from the nozzle to the edge where parts fall, 0 while that is not known; required
	BehindMM         float64 // free belt behind the nozzle up to the roller; 0 when it is not known
	LimitMM          float64 // largest lateral offset at which parts may be made, to either side
	WorstDriftMMPerM float64 // offset per metre of belt travel to assume before checks show it
}

// Discharge describes how a part is moved off the belt.
type Discharge struct {
	ReleaseC            float64       // bed temperature at which parts come off; 0 does not wait
	ReleaseLimit        time.Duration // longest wait for that temperature
	NozzleStandbyC      float64       // nozzle target while the part cools and in a hold
	LiftMM              float64       // movement of the lift axis before the head moves aside
	LiftFeedMMPerMin    float64       // feed of that axis
	Park                bool          // whether the head moves aside at all
	ParkXMM             float64       // X coordinate of the parked head
	AdvanceFeedMMPerMin float64       // feed of the belt
	GapMM               float64       // bare belt between two parts
	PitchMM             float64       // belt advance from part to part; 0 takes it from the part
	TravelFeedMMPerMin  float64       // feed of the head when it does not print
	RetractMM           float64       // filament drawn back before the lift; 0 for none
	RetractFeedMMPerMin float64       // feed of that filament
	ClearAtEnd          bool          // run the last parts over the drop edge when a lot is done
	BinParts            int           // parts that the bin holds; 0 is not watched
}

// Hold describes when the machine waits for a visit, and what it does then.
// Whichever limit comes first holds the machine; 0 switches one off.
type Hold struct {
	// FirstArticle: a lot holds after the first part of a job that was not yet found good on the belt's surface.
	FirstArticle  bool
	EveryParts    int           // parts since the last check
	EveryTravelMM float64       // belt travel since the last check
	Every         time.Duration // time since the last check
	Attended      string        // local time of day in which parts may be made, "07:00-22:00"; empty for always
	// CertaintyPercent is how certain it must be that the belt is still within its limit
	// where the machine holds for it.
	CertaintyPercent float64
	HeatersOffAfter  time.Duration // from standby to all heaters off
	ReheatLimit      time.Duration // longest time to reach the targets again
	PrimeMM          float64       // filament pushed out before the next part; 0 for none
	Care             []Care        // what is to be done at the machine every so often
	NoneAcknowledged bool          // the owner has said that no limit is meant
}

// Heat holds the limits on the readings of nozzle and bed.
type Heat struct {
	NozzleRiseLimit, BedRiseLimit time.Duration // within which 2 degrees must be gained
	NozzleFallC, BedFallC         float64       // below a target that was reached
	OverC                         float64       // above a target, or above the ceiling
	StillLimit                    time.Duration // for a held nozzle to show the same; twice that for a bed
	ReadingLimit                  time.Duration // without a reading while a heater may be on
	ProofLimit                    time.Duration // after a fault, for falling readings
	BoardIdleLimit                time.Duration // without a move, after which the board halts by itself while heaters are on; 0 leaves it as it is
	TargetSlackC                  float64       // by which a target may be changed at the machine
}

// Fault says what the machine may do by itself after a fault.
type Fault struct {
	GoOnPerDay int           // times in 24 hours that it may resume by itself; 0 never
	GoOnAfter  time.Duration // that people have to say no
}

// Job holds what job files leave open.
type Job struct {
	BedC               float64 // bed target added to jobs that set none; 0 adds none
	FilamentDiameterMM float64
	DensityGPerCM3     float64
	SpoolG             float64 // filament on a full spool; 0 is not judged
	SpoolTareG         float64 // mass of an empty spool, taken off what a check weighs
	NamedWords         []NamedWord
}

// NamedWord says what a named word of the board's own does. Nozzle and Bed are names of its arguments, or
// targets in degrees Celsius; Extruder is "relative", "absolute" or empty.
type NamedWord struct {
	Word, Nozzle, Bed, Extruder string
	Homes                       bool
}

// ByAxis holds one limit for each axis; 0 leaves it to the board.
type ByAxis struct{ X, Y, Z, E float64 }

// Motion describes what the board allows its moves, by which the time of a job is
// computed. It limits nothing itself. A 0 takes what the board reports, or
// else the usual.
type Motion struct {
	TopSpeedMMPerS ByAxis
	AccelMMPerS2   ByAxis

	PrintAccelMMPerS2   float64 // of moves that push filament
	RetractAccelMMPerS2 float64 // of filament alone
	TravelAccelMMPerS2  float64 // of all other moves

	JunctionDeviationMM float64 // how far a corner may be cut
	CornerSpeedMMPerS   ByAxis  // step of speed at a corner, on boards that go by it
	LookAheadMoves      int     // moves that the board plans over
}

// Ledger describes the file that keeps the count.
type Ledger struct {
	Path          string        // absolute
	ProgressEvery time.Duration // time between progress records within a part
	BackupFolder  string        // absolute path of the folder for daily copies
	BackupKeep    int           // copies that are kept; 0 makes none
	KeepDetails   int           // days for which details are kept that no report and no count needs; 0 for ever
	ReserveMB     int           // MB of 1,000,000 bytes that must be free before a part begins; 0 is not watched
}

// Server describes where the daemon can be reached.
type Server struct {
	Socket     string // absolute path of the local socket; empty for none
	Listen     string // host:port for the screen and the metrics; empty for none
	SecretFile string // absolute path of a file with the secret of those who operate; empty for none

	LookSecretFile string // the same for those who only look
	PublicURL      string // scheme and host under which people reach the screen; empty: as it listens
	TrustedProxy   string // address or network of the proxy whose X-Forwarded-For is trusted; empty for none
	TLSCertFile    string // absolute path of a certificate chain; empty for no encryption
	TLSKeyFile     string // absolute path of its key
	JobsFolder     string // absolute path of the folder for uploaded jobs
	KeepJobs       int    // days after which an uploaded job that no lot used is removed; 0 for never
	JobsLimitMB    int    // size that all uploaded jobs together may have, in MB; 0 for no limit
	UploadLimitMB  int    // size of the largest job that is taken, in MB of 1,000,000 bytes
}

// Log describes the daemon's own log.
type Log struct {
	Level  string // debug, info, warn or error
	Format string // json or console
}

// Default returns the settings of an empty file. The required ones are zero:
// Machine.Port, Machine.BeltAxis, Machine.Forward and Belt.ToDropMM; HomedAxes
// and LiftAxis are zero too, because they follow from the belt axis.
func Default() *Settings {
	return &Settings{
		Machine: Machine{
			Name: "machine", BaudRate: 250000,
			ResetWait: 3 * time.Second, ReplyLimit: 10 * time.Second, SilenceLimit: time.Minute,
			TravelLimitMM: 100, NozzleCeilingC: 260, BedCeilingC: 100,
			TemperaturePoll: 2 * time.Second, MotorsStayOn: true,
		},
		Belt: Belt{LimitMM: 3, WorstDriftMMPerM: 0.05},
		Discharge: Discharge{
			ReleaseC: 35, ReleaseLimit: time.Hour, NozzleStandbyC: 150, LiftMM: 20, LiftFeedMMPerMin: 600, Park: true,
			AdvanceFeedMMPerMin: 1200, GapMM: 10, TravelFeedMMPerMin: 6000,
			RetractMM: 1, RetractFeedMMPerMin: 1800, ClearAtEnd: true,
		},
		Hold: Hold{
			FirstArticle: true, EveryParts: 100, EveryTravelMM: 50000, CertaintyPercent: 99, HeatersOffAfter: 15 * time.Minute,
			ReheatLimit: 20 * time.Minute, PrimeMM: 2,
		},
		Heat: Heat{NozzleRiseLimit: 40 * time.Second, BedRiseLimit: 4 * time.Minute, NozzleFallC: 20, BedFallC: 10, OverC: 15,
			StillLimit: 15 * time.Minute, ReadingLimit: 2 * time.Minute, ProofLimit: 5 * time.Minute, TargetSlackC: 10},
		Fault: Fault{GoOnAfter: 5 * time.Minute},
		Job:   Job{FilamentDiameterMM: 1.75, DensityGPerCM3: 1.24},
		Ledger: Ledger{Path: "/var/lib/beltwarden/ledger.db", ProgressEvery: 30 * time.Second,
			BackupFolder: "/var/lib/beltwarden/backups", BackupKeep: 7, KeepDetails: 90, ReserveMB: 50},
		Server: Server{Socket: "/run/beltwarden/beltwarden.sock", Listen: "127.0.0.1:7353",
			JobsFolder: "/var/lib/beltwarden/jobs", UploadLimitMB: 1024, KeepJobs: 180, JobsLimitMB: 4096},
		Alerts: Alerts{RetryFirst: 5 * time.Second, RetryLimit: time.Hour, Ahead: 30 * time.Minute,
			EscalateAfter: 15 * time.Minute, PerHour: 12},
		Log: Log{Level: "info", Format: "json"},
	}
}
