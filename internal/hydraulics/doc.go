// Package hydraulics works out a drip zone outlet by outlet: flows, pressures,
// uniformity, pipe volumes and, for every emitter, the volume that has to pass
// the box before water from the box reaches it.
//
// It is pure: no clock, no I/O. Pressures are kPa gauge at the box outlet's
// height, flows L/h, volumes L, lengths m, bores and roughness mm, slopes and
// ratios fractions.
package hydraulics
