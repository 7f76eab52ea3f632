// Package simtest makes simulated discs for tests.
package simtest

import (
	"testing"

	"turnstone/device/sim"
)

// Disc is the disc of a scenario, given as its text, until the test ends.
func Disc(t testing.TB, scenario string) *sim.Disc {
	t.Helper()
	s, err := sim.Parse([]byte(scenario))
	return of(t, s, err)
}

// Load is the disc of a scenario's file, until the test ends.
func Load(t testing.TB, path string) *sim.Disc {
	t.Helper()
	s, err := sim.Load(path)
	return of(t, s, err)
}

func of(t testing.TB, s *sim.Scenario, err error) *sim.Disc {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
	d, err := sim.New(s)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { d.Close() })
	return d
}
