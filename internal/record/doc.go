// Package record is what goes into the core and comes back out of storage: the
// trace, a CSV table that people and other programs can read, and the input
// log, a binary record of every turn's Input, exact to the last bit. Either
// can be played through the core again.
//
// The package refuses to guess: a cell that is not a number, a word it does not
// know or a clock that runs backwards is an error with its place. Values keep
// the unit of their trace column (kPa gauge, L/min, µS/cm at 25 °C, °C); times
// are seconds in the trace and nanoseconds in the log.
package record
