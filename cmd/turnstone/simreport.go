package main

import (
	"fmt"
	"io"
	"math"
	"strings"

	"turnstone/device/sector"
	"turnstone/device/sim/ruler"
)

// printReport says what a simulated job came to, pass by pass.
func printReport(w io.Writer, rep *ruler.Report) {
	tell(w, "Scenario %s, order %s. All of it is simulated, by rates that are invented; times are virtual.\n", rep.Scenario, rep.Order)
	for _, p := range rep.Passes {
		fmt.Fprintln(w)
		if p.NoMedium {
			tell(w, "Round %d, drive %s: the drive finds no medium. %s sectors missing.\n", p.Round, p.Drive, sector.Thousands(p.Missing))
			continue
		}
		printFigures(w, fmt.Sprintf("Round %d, drive %s", p.Round, p.Drive), p.Figures)
	}
	fmt.Fprintln(w)
	printFigures(w, "In all", rep.All)
}

func printFigures(w io.Writer, what string, f ruler.Figures) {
	if f.Missing == 0 {
		tell(w, "%s: nothing was missing.\n", what)
		return
	}
	tell(w, "%s: %s sectors missing at its start, %s of them readable; %s came, %s failed, %s were not asked for.\n",
		what, sector.Thousands(f.Missing), sector.Thousands(f.Readable), sector.Thousands(f.Good), sector.Thousands(f.Bad), sector.Thousands(f.Untried))
	if f.Mean != nil {
		var parts []string
		for _, t := range []struct {
			share string
			at    *float64
		}{{"50", f.T50}, {"90", f.T90}, {"99", f.T99}, {"99.9", f.T999}, {"100", f.T100}} {
			at := "never"
			if t.at != nil {
				at = "after " + exactly(*t.at)
			}
			parts = append(parts, fmt.Sprintf("%s %% %s", t.share, at))
		}
		tell(w, "  Of the readable %s; on average after %s.\n", strings.Join(parts, ", "), exactly(*f.Mean))
	}
	failed := "No read failed"
	if f.FailedReads > 0 {
		failed = fmt.Sprintf("%s reads failed, with the track lost in %s and a stall in %s",
			sector.Thousands(f.FailedReads), sector.Thousands(f.LostTracks), sector.Thousands(f.Stalls))
	}
	tell(w, "  %s, in %s. Good sectors read again: %s.\n", failed, exactly(f.Seconds), sector.Thousands(f.ReadAgain))
}

// exactly is a time in seconds, with a decimal, which is what orders of reading
// are compared by; long ones also as hours and minutes.
func exactly(s float64) string {
	tenths := int64(math.Round(s * 10))
	text := fmt.Sprintf("%s.%d", sector.Thousands(tenths/10), tenths%10)
	if s < 600 {
		return text + " s"
	}
	m := int64(s/60 + 0.5)
	if m < 60 {
		return fmt.Sprintf("%s s (%d min)", text, m)
	}
	return fmt.Sprintf("%s s (%d:%02d h)", text, m/60, m%60)
}
