// Package season compares the runs of a zone over a season: what the water did at
// equal pressure, the filter, the injector, the flush, frost, nutrients and alarms.
// It takes the runs' summaries and makes series with a robust level, changes with
// how likely chance alone makes them, and sentences that say what the readings
// allow and no more.
//
// It reads no archive. What a run did not show is unknown and left out of its
// series, never counted as zero.
package season
