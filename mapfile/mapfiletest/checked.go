// Package mapfiletest helps tests that work with maps.
package mapfiletest

import (
	"testing"

	"turnstone/mapfile"
)

// Checked has the test end with a check of the map at path, which fails it for
// every problem.
func Checked(tb testing.TB, path string) {
	tb.Helper()
	tb.Cleanup(func() {
		tb.Helper()
		problems, err := mapfile.Check(path)
		if err != nil {
			tb.Errorf("Check(%q): %v", path, err)
		}
		for _, p := range problems {
			tb.Errorf("Check(%q): %s", path, p)
		}
	})
}
