package gcode

import "errors"

// Apply reads one line and brings the state to what it is after it. On error the
// state is unchanged.
func (s *State) Apply(line []byte) (Effect, error) { return Effect{}, errors.ErrUnsupported }
