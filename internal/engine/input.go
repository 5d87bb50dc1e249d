package engine

import (
	"time"

	"boxd/internal/box"
)

// Input is all the core learns in one turn.
type Input struct {
	Mono    time.Duration // elapsed since the core started; never falls; every timer uses it
	Wall    time.Time     // the clock's word, for labels
	Samples []box.Sample  // in the order they were taken
	Actions []box.Action  // what persons said, in the order it came
	// Archive and Link are how the archive and the link to the broker fared before
	// this turn. Unknown means that nobody looked, as in a replay.
	Archive, Link box.Surrounding
}

// Output is what one turn made. Events are to be saved before they are shown.
type Output struct {
	Events []Event // owned by the engine until the next Step
	// Memory is what the next life should start with, where this turn changed it:
	// to be saved together with the events.
	Memory *Memory
}
