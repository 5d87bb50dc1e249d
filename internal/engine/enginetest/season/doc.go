// Package season drives the real core through whole seasons of a simulated box,
// for tests alone. Its planting is a truth model of its own, not the estimator's
// idea of one:
//
//   - Pressures and flows come from a damped iteration over the rows with the
//     friction of smooth pipe (Blasius; 64/Re where laminar) and an own flow
//     factor for every emitter. Shared with package hydraulics is only the
//     drawing of the zone: lengths, bores, number of rows, the emitters' law.
//   - Solute moves through finite volumes, tanks in series, at the flows of the
//     moment; no V_e is in it. How well a stretch of tape between two emitters
//     mixes is drawn anew for every season (see tanksLeast).
//   - Supply, filter, injector, instruments, weather and the person are its own.
//
// One seed replays everything. The checkers hold the promises against the truth.
package season
