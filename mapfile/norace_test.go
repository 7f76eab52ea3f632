//go:build !race

package mapfile

// raceDetector tells that this binary takes several times the memory.
const raceDetector = false
