//go:build !race

package volume

const underRace = false
