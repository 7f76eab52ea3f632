package main

import (
	"os"
	"runtime/debug"
)

// briefGC is by how many per cent the memory of a brief command may grow between two
// collections. Such a command loads one map, draws or tells it, and ends. The usual 100
// collects at 4, 8, 16 and 32 MB what is nearly all still needed, for a fifth of its
// time; 400 collects at 16 MB and then when it takes five times what it needs: some
// tens of MB more on the largest of maps.
const briefGC = 400

// beBrief sets that, unless whoever runs the program says something else.
func beBrief() {
	if os.Getenv("GOGC") == "" {
		debug.SetGCPercent(briefGC)
	}
}
