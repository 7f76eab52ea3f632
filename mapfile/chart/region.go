package chart

import (
	"fmt"
	"strings"

	"turnstone/device/sector"
)

// Region is where there is most to win by a treatment: a band of radii, and a stretch of
// angles in it, as somebody found it in the map.
type Region struct {
	Inner, Outer float64 // mm
	From, To     float64 // turns, as those of a Mark
	Share        float64 // of the sectors that failed on this surface, that lie there
	Sectors      int64
}

// Resurfacing is the cautions that stand wherever a place to treat is named.
const Resurfacing = "Resurfacing can't be undone: first read what can be read, clean it, try another drive. Wet, not dry; eyes, gloves, ventilation; a disc that is dry before it is spun. Makers' data sheets, local rules and licensed practice go before this."

// neverBluRay is said in place of a region to treat.
const neverBluRay = "A Blu-ray's data lies 0.1 mm under its surface: it is cleaned, read and compared, never sanded or polished."

// Where says where the region lies on a disc that is looked at as a view has it:
// "31–34 mm, 2:00 to 5:30".
func (r Region) Where(v View) string {
	where := fmt.Sprintf("%s–%s mm", decimal(r.Inner, 0), decimal(r.Outer, 0))
	if r.To-r.From >= 1 {
		return where + ", all round"
	}
	from, to := v.onPaper(r.From), v.onPaper(r.To)
	if v.Side == Label { // the clock runs the other way there
		from, to = to, from
	}
	return fmt.Sprintf("%s, %s to %s", where, strings.TrimSuffix(roughly(from), " o'clock"), roughly(to))
}

// inWords says where to treat a disc of a kind, with the cautions.
func (r Region) inWords(v View, kind string) []string {
	most := fmt.Sprintf("There is most to win at %s: %.0f %% of what failed on this surface lies there (%s sectors).", r.Where(v), 100*r.Share, sector.Thousands(r.Sectors))
	if kind == "bd" {
		return []string{most, neverBluRay}
	}
	return []string{most, Resurfacing}
}
