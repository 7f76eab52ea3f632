//go:build race

package volume

const underRace = true // some ten times slower
