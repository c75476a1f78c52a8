package supervisor

import "fmt"

// State is a state of ANSI/ISA-TR88.00.02, numbered as in the OPC Foundation's published node set
// (OPC 30050), so that a stored value means the same to other software.
type State int

// The seventeen states.
const (
	Clearing     State = 1
	Stopped      State = 2
	Starting     State = 3
	Idle         State = 4
	Suspended    State = 5
	Execute      State = 6
	Stopping     State = 7
	Aborting     State = 8
	Aborted      State = 9
	Holding      State = 10
	Held         State = 11
	Unholding    State = 12
	Suspending   State = 13
	Unsuspending State = 14
	Resetting    State = 15
	Completing   State = 16
	Complete     State = 17
)

var stateNames = map[State]string{
	Clearing: "Clearing", Stopped: "Stopped", Starting: "Starting", Idle: "Idle",
	Suspended: "Suspended", Execute: "Execute", Stopping: "Stopping",
	Aborting: "Aborting", Aborted: "Aborted", Holding: "Holding", Held: "Held",
	Unholding: "Unholding", Suspending: "Suspending", Unsuspending: "Unsuspending",
	Resetting: "Resetting", Completing: "Completing", Complete: "Complete",
}

// States returns all seventeen states in the order of their numbers.
func States() []State {
	states := make([]State, 0, len(stateNames))
	for s := Clearing; s <= Complete; s++ {
		states = append(states, s)
	}
	return states
}

// String returns the state's name as the standard spells it.
func (s State) String() string {
	if name, ok := stateNames[s]; ok {
		return name
	}
	return fmt.Sprintf("State(%d)", int(s))
}

// MarshalText writes the state's name.
func (s State) MarshalText() ([]byte, error) { return []byte(s.String()), nil }

// UnmarshalText reads a state's name.
func (s *State) UnmarshalText(text []byte) error {
	for state, name := range stateNames {
		if name == string(text) {
			*s = state
			return nil
		}
	}
	return fmt.Errorf("cannot read state: %q is none of the seventeen", text)
}

// Acting reports whether the state ends on its own when its work is done, rather than by a command.
func (s State) Acting() bool {
	switch s {
	case Clearing, Starting, Execute, Stopping, Aborting, Holding, Unholding,
		Suspending, Unsuspending, Resetting, Completing:
		return true
	case Stopped, Idle, Suspended, Aborted, Held, Complete:
		return false
	}
	return false
}

// Command is a command of ANSI/ISA-TR88.00.02, or the machine's own
// [StateComplete].
type Command int

// The ten commands, and the end of an acting state's work.
const (
	StateComplete Command = 0
	Reset         Command = 1
	Start         Command = 2
	Stop          Command = 3
	Hold          Command = 4
	Unhold        Command = 5
	Suspend       Command = 6
	Unsuspend     Command = 7
	Abort         Command = 8
	Clear         Command = 9
	CompleteLot   Command = 10
)

var commandNames = map[Command]string{
	StateComplete: "(state complete)", Reset: "Reset", Start: "Start", Stop: "Stop",
	Hold: "Hold", Unhold: "Unhold", Suspend: "Suspend", Unsuspend: "Unsuspend",
	Abort: "Abort", Clear: "Clear", CompleteLot: "Complete",
}

// Commands returns the ten commands an operator can give, in the order of the standard.
func Commands() []Command {
	commands := make([]Command, 0, len(commandNames))
	for c := Reset; c <= CompleteLot; c++ {
		commands = append(commands, c)
	}
	return commands
}

// String returns the command's name as the standard spells it.
func (c Command) String() string {
	if name, ok := commandNames[c]; ok {
		return name
	}
	return fmt.Sprintf("Command(%d)", int(c))
}

// MarshalText writes the command's name.
func (c Command) MarshalText() ([]byte, error) { return []byte(c.String()), nil }

// UnmarshalText reads a command's name, in any case.
func (c *Command) UnmarshalText(text []byte) error {
	for command, name := range commandNames {
		if command != StateComplete && equalFold(name, string(text)) {
			*c = command
			return nil
		}
	}
	return fmt.Errorf("cannot read command: %q is none of the ten", text)
}

// equalFold compares two ASCII names without regard to case.
func equalFold(a, b string) bool {
	if len(a) != len(b) {
		return false
	}
	for i := range len(a) {
		if a[i]|0x20 != b[i]|0x20 {
			return false
		}
	}
	return true
}

// done is the state that follows when the work of an acting state is finished.
var done = map[State]State{
	Resetting: Idle, Starting: Execute, Execute: Completing, Completing: Complete,
	Holding: Held, Unholding: Execute, Suspending: Suspended, Unsuspending: Execute,
	Stopping: Stopped, Aborting: Aborted, Clearing: Stopped,
}

// Transition returns the state that a command leads to. It is the whole transition table, base and
// optional rows; nothing else changes a state.
func Transition(from State, c Command) (State, bool) {
	switch c {
	case StateComplete:
		to, ok := done[from]
		return to, ok
	case Reset:
		return Resetting, from == Stopped || from == Complete
	case Start:
		return Starting, from == Idle
	case Hold:
		switch from {
		case Execute, Starting, Suspending, Suspended, Unsuspending, Unholding:
			return Holding, true
		}
	case Unhold:
		return Unholding, from == Held
	case Suspend:
		return Suspending, from == Execute
	case Unsuspend:
		return Unsuspending, from == Suspended
	case CompleteLot:
		return Completing, from == Execute
	case Clear:
		return Clearing, from == Aborted
	case Stop:
		switch from {
		case Stopping, Stopped, Aborting, Aborted, Clearing:
			return 0, false
		}
		return Stopping, true
	case Abort:
		return Aborting, from != Aborting && from != Aborted
	}
	return 0, false
}
