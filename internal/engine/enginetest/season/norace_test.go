//go:build !race

package season

const raced = false
