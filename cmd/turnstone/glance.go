package main

import (
	"strings"

	"turnstone/imager"
	"turnstone/mapfile"
	"turnstone/mapfile/chart"
)

// glance is the damage map in a line or two, as status shows it on a place of output;
// "" where there is nothing to be seen.
func glance(m *mapfile.Map, look imager.Look, s streams) string {
	d := m.Disc()
	if missing := d.Written.Count() - m.Count(mapfile.Good); d.Sectors == 0 || missing == 0 && !takenOff(m) {
		return ""
	}
	p, sentences, err := look.Glance()
	if err != nil {
		return ""
	}
	style := textStyle(s.Out)
	style.Width, style.Colour = style.Width-1, false // what is told is folded by its columns
	var b strings.Builder
	if err := p.Strip(&b, style); err != nil {
		return ""
	}
	for _, t := range sentences {
		b.WriteString(t + "\n")
	}
	return b.String()
}

// takenOff tells whether what treatments took off can be told.
func takenOff(m *mapfile.Map) bool {
	_, ok := chart.TakenOff(m.Rounds())
	return ok
}
