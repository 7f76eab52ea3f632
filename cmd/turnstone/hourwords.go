package main

import (
	"fmt"
	"io"
	"math"
	"strings"

	"turnstone/device/sector"
	"turnstone/imager"
	"turnstone/imager/plan"
)

// hourText says what of the files that lack something an hour more should bring, where
// this surface was not asked for all of it yet; where that is not known, how much it was
// not asked for.
func hourText(w io.Writer, files *imager.Files) {
	all := files.Unasked()
	asked := false
	open := all[:0:0]
	for _, u := range all {
		asked = asked || u.Open < u.Missing
		if u.Open > 0 {
			open = append(open, u)
		}
	}
	if len(open) == 0 || !asked {
		return
	}
	first := open[:min(len(open), mostGaps)]
	more := len(open) - len(first)
	hour, ok := files.HourMore(first)
	if !ok {
		var told []string
		for _, u := range first {
			told = append(told, fmt.Sprintf("%s of %s", bytesInWords(u.Open*sector.Size), shown(u.File.Name)))
		}
		if more > 0 {
			told = append(told, "and some of "+filesInWords(more, "more file"))
		}
		fmt.Fprintf(w, "\nNot asked for on this surface yet: %s. What of it an hour more brings is not known.\n", strings.Join(told, ", "))
		return
	}
	fmt.Fprintf(w, "\nOf what is missing an hour more with %s on this surface should bring:\n", hour.Drive)
	for i, u := range first {
		fmt.Fprintf(w, "  %s  %s\n", shown(u.File.Name), expectedInWords(u, hour.Files[i]))
	}
	if more > 0 {
		fmt.Fprintf(w, "  and something of %s\n", filesInWords(more, "more file"))
	}
	fmt.Fprintf(w, "By the model of the surface; on simulated discs what came lay in such a range nine times in ten.\n")
}

// expectedInWords is a range of what a file lacks, in round figures that lie outside of it.
func expectedInWords(u imager.Unasked, x plan.Share) string {
	missing := u.Missing * sector.Size
	low, high := roundDown(x.Low)*sector.Size, missing
	of := bytesInWords(missing)
	if h := roundUp(x.High) * sector.Size; h < missing && bytesInWords(h) != of {
		high = h
	}
	of = "the " + of
	switch {
	case high == 0:
		return "nothing of " + of
	case low == 0 && high == missing:
		return "anything between nothing and all of " + of
	case low == 0:
		return fmt.Sprintf("up to %s of %s", bytesInWords(high), of)
	case high == missing:
		return fmt.Sprintf("at least %s of %s", bytesInWords(low), of)
	}
	return fmt.Sprintf("%s to %s of %s", bytesInWords(low), bytesInWords(high), of)
}

// unaskedDoc is a file that lacks something, in the document of files --json.
type unaskedDoc struct {
	Path    string `json:"path"`
	Missing int64  `json:"missing_sectors"`
	Open    int64  `json:"not_asked_sectors"` // of them, on this surface
	// What an hour more brings of them lies in this range, nine times in ten; null where
	// nothing can be said.
	HourLow  *int64 `json:"hour_low_sectors"`
	HourHigh *int64 `json:"hour_high_sectors"`
}

func unaskedDocs(files *imager.Files) []unaskedDoc {
	docs := []unaskedDoc{}
	all := files.Unasked()
	hour, ok := files.HourMore(all)
	for i, u := range all {
		d := unaskedDoc{Path: u.File.Path(), Missing: u.Missing, Open: u.Open}
		if ok {
			low, high := roundDown(hour.Files[i].Low), min(u.Missing, roundUp(hour.Files[i].High))
			d.HourLow, d.HourHigh = &low, &high
		}
		docs = append(docs, d)
	}
	return docs
}

// roundDown and roundUp are to two figures.
func roundDown(x float64) int64 {
	u := sector.SecondFigure(x)
	return int64(x) / u * u
}

func roundUp(x float64) int64 {
	u := sector.SecondFigure(x)
	return (int64(math.Ceil(x)) + u - 1) / u * u
}
