// Package dosing holds the nutrients, salts, stock solutions, injection ratios
// and the conductivity behind a fertilizer dose: what to weigh beforehand, and
// what went out afterwards.
//
// It is pure: no clock, no I/O, no state. Amounts are g, L, g/L, L/h, m, m²,
// °C; EC at 25 °C is units.USPerCm and EC as the water stands is RawEC, so that
// the two cannot be mixed up.
//
// It refuses to guess where a guess would be a wrong dose: a liquid without a
// density, a rate whose area convention is not said, a product whose EC is
// neither labelled nor computable. Label values always override computed ones.
// Rates in published guides are never set by this package; a person states
// them.
package dosing
