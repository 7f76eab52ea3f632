package main

import (
	"errors"
	"fmt"
	"strings"
	"time"

	"turnstone/device"
	"turnstone/device/sim"
	"turnstone/imager"
	"turnstone/mapfile"
)

// scenarioEnd ends the file's part of a simulated drive's name,
// SCENARIO.json:NAME.
const scenarioEnd = ".json"

// isSimulated tells whether a drive's name is that of a simulated one.
func isSimulated(node string) bool {
	return strings.HasSuffix(node, scenarioEnd) || strings.Contains(node, scenarioEnd+":")
}

// simDrive is a simulated drive with the disc that lies in it. Its time is
// virtual.
type simDrive struct {
	*sim.Drive
	disc *sim.Disc
}

// openSimulated opens a drive by its name, SCENARIO.json:NAME, with the disc on
// the surface of a round. Pass tells its openings apart, each of which fares a
// little differently. The error is a *device.OpenError where the scenario does not
// serve.
func openSimulated(node string, round, pass int) (device.Reader, error) {
	i := strings.LastIndex(node, scenarioEnd) + len(scenarioEnd)
	path, name := node[:i], strings.TrimPrefix(node[i:], ":")
	s, err := sim.Load(path)
	if err != nil {
		return nil, &device.OpenError{Node: node, What: err.Error(), Err: err}
	}
	number, ok := s.Drive(name)
	if !ok {
		var names []string
		for _, d := range s.Drives {
			names = append(names, path+":"+d.Name)
		}
		return nil, &device.OpenError{Node: node, What: "the scenario has no such drive", Cure: "Say " + joinOr(names) + "."}
	}
	if round >= len(s.Rounds) {
		return nil, &device.OpenError{Node: node,
			What: fmt.Sprintf("the scenario tells of the surface in rounds 0 to %d only, and the case is in round %d", len(s.Rounds)-1, round),
			Cure: "Add what was done to the list of rounds in " + path + "."}
	}
	disc, err := sim.New(s)
	if err != nil {
		return nil, &device.OpenError{Node: node, What: err.Error(), Err: err}
	}
	if s.CD() {
		return openSimulatedCD(disc, node, name, round, pass)
	}
	drive, err := disc.Open(sim.Opening{Drive: number, Round: round, Pass: uint32(pass)})
	if err != nil {
		return nil, errors.Join(err, disc.Close())
	}
	return &simDrive{drive, disc}, nil
}

// Close implements device.Reader.
func (d *simDrive) Close() error { return errors.Join(d.Drive.Close(), d.disc.Close()) }

// practised tells whether simulated drives read into a case: its times may lie
// ahead of the clock.
func practised(m *mapfile.Map) bool {
	for _, d := range m.Drives() {
		if d.Vendor == sim.Vendor {
			return true
		}
	}
	return false
}

// calm passes progress on no more often than a person can follow: virtual time
// runs faster than they read.
type calm struct {
	closer
	every time.Duration
	last  time.Time
}

// slowedDown makes a listener of a simulated pass calm.
func slowedDown(l closer) closer {
	if _, plain := l.(*plainLines); plain {
		return &calm{l, lineEvery, time.Now()}
	}
	return &calm{l, redrawEvery, time.Time{}}
}

func (l *calm) Progress(p imager.Progress) {
	if now := time.Now(); now.Sub(l.last) >= l.every {
		l.last = now
		l.closer.Progress(p)
	}
}
