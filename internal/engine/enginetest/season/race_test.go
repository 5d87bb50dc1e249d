//go:build race

package season

// raced: the detector makes a season ten times as long.
const raced = true
