package device

import (
	"path/filepath"
	"strings"
)

// Unknown is the kind of a disc of which nothing is known.
const Unknown = "unknown"

// Block is what the kind of a disc says about its error-correction code: the
// sectors that one code word covers (16 on DVD, 32 on Blu-ray, 1 on CD), and
// whether its drives decode whole blocks only. Where nobody
// has told the kind ("") it is 16 sectors that may come singly. Not ok tells that
// there is no such kind.
func Block(kind string) (sectors int, whole, ok bool) {
	switch kind {
	case "cd":
		return 1, false, true
	case "dvd":
		return 16, true, true
	case "bd":
		return 32, true, true
	case "":
		return 16, false, true
	}
	return 0, false, false
}

// OnceKBps is 1x of a kind of disc in kB/s, as MMC counts it: 1000 bytes. A CD's is that
// of whole sectors of 2352 bytes.
func OnceKBps(kind string) float64 {
	switch kind {
	case "cd":
		return 176.4
	case "bd":
		return 4496
	}
	return 1385
}

// OpticalNode tells whether a name is that of an optical drive's node, as the
// kernel's sr driver gives it.
func OpticalNode(node string) bool {
	return filepath.Dir(node) == "/dev" && strings.HasPrefix(filepath.Base(node), "sr")
}
