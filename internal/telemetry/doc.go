// Package telemetry carries what the core shows to everybody who watches: a
// fan-out of views that never waits for a watcher, and the shape of the
// messages that go out. It publishes only; nothing that comes in over a
// network reaches the core through it.
//
// # Topics
//
// Every topic begins with boxd/<box>/. Payloads are UTF-8 JSON objects. Every
// number's unit is in its name, except a channel's value, whose unit is the
// field beside it and the end of its column's name. null is unknown: never
// read it as zero.
//
//	state             retained  step, advice, holds, number of alarms, run
//	channel/<column>  retained  one reading: value, unit, quality, cause, age
//	estimate          retained  the estimates behind the advice
//	dose              retained  the dose of the run under way
//	advice            retained  the one next thing, with its reasons; null when there is none
//	board             retained  the board's temperature and supply, what its meters have counted
//	alarm/<id>        retained  one alarm's ISA-18.2 state; "normal" when it is over
//	meta              retained  the box, the zone, the channels' tags, names and units
//	status            retained  online, starting, stopped or offline: read this first
//	event             QoS 1     every event once kept in the journal, in order, with its seq and run
//
// A retained value stays with the broker when the box is gone. It counts only
// while status says "online": true. Live values are sent when they change, at
// most once a second each, and every ten seconds when they do not. Events are
// sent again until the broker acknowledges them, so an event can come twice:
// drop what has a (box, seq) already seen.
package telemetry
