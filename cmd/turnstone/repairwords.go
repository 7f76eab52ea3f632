package main

import (
	"fmt"
	"strings"

	"turnstone/device/sector"
	"turnstone/imager"
)

// formTwoStands says where a case stands with sectors of 2,324 bytes; "" where its disc
// has none.
func formTwoStands(st imager.Status) string {
	f := st.FormTwo
	good, all := f.Wants()
	if all == 0 {
		return ""
	}
	what := "of form 2"
	if f.Wanted != nil {
		what = "of form 2 of the wanted films"
	}
	var b strings.Builder
	if f.Missing() == 0 {
		fmt.Fprintf(&b, "All %s %s are beside the image, in form2.bin (2,324 bytes each).\n", sectors(all), what)
	} else {
		fmt.Fprintf(&b, "%s of %s %s are beside the image, in form2.bin (2,324 bytes each); %s %s missing.\n",
			sector.Thousands(good), sectors(all), what, sector.Thousands(f.Missing()), be(f.Missing()))
	}
	if f.Wanted != nil {
		return b.String() // what follows is told of all of them
	}
	switch {
	case f.Repaired > 0 && f.RepairReadings > 0:
		fmt.Fprintf(&b, "  %s of them put together from up to %d readings\n", sector.Thousands(f.Repaired), f.RepairReadings)
	case f.Repaired > 0:
		fmt.Fprintf(&b, "  %s of them put together from several readings\n", sector.Thousands(f.Repaired))
	}
	if f.NoEDC > 0 {
		fmt.Fprintf(&b, "  %s of them came without an error and have no code that could prove them\n", sector.Thousands(f.NoEDC))
	}
	return b.String()
}

// repairedInWords is how many of the sectors that a pass won no READ gave, and of how
// many raw readings they were made.
func repairedInWords(p imager.PassStatus) string {
	one := "1 of them"
	if p.Won == 1 {
		one = "it was"
	} else if p.Repaired > 1 {
		one = sector.Thousands(p.Repaired) + " of them"
	}
	switch {
	case p.RepairReadings == 1:
		return one + " mended from a raw reading"
	case p.Repaired == 1:
		return fmt.Sprintf("%s put together from %d readings", one, p.RepairReadings)
	}
	return fmt.Sprintf("%s put together from up to %d readings", one, p.RepairReadings)
}

// repairsStand says how many of a case's good sectors no READ gave; "" where none was
// put together.
func repairsStand(st imager.Status) string {
	readings := 0
	for _, r := range st.Rounds {
		for _, p := range r.Passes {
			readings = max(readings, p.RepairReadings)
		}
	}
	switch {
	case st.Repaired == 0:
		return ""
	case st.Repaired == 1 && readings > 1:
		return fmt.Sprintf("  1 of those in the image no READ gave: it was put together from %d readings\n", readings)
	case readings == 1:
		return fmt.Sprintf("  %s of those in the image no READ gave: mended from a raw reading each\n", sector.Thousands(st.Repaired))
	}
	return fmt.Sprintf("  %s of those in the image no READ gave: put together from up to %d readings each\n", sector.Thousands(st.Repaired), readings)
}

// besideFirst is the advice where all of the image is there, and not all that belongs
// beside it.
func besideFirst(st imager.Status, next []imager.Advice) []imager.Advice {
	if st.Missing() > 0 || st.FormTwo.Missing() == 0 {
		return next
	}
	return []imager.Advice{
		{What: "Clean it and read again.", Why: "sectors of form 2, a Video CD's pictures, are missing yet.", Do: "turnstone round CASE clean"},
		{What: "Let another drive try what is missing.", Why: "drives differ in what they can still read.", Do: "turnstone read CASE --drive OTHER"},
	}
}
