package report

import (
	"encoding/csv"
	"fmt"
	"io"
	"strings"

	"turnstone/imager"
)

// hoursHead is the first line of the hours.
var hoursHead = []string{"round", "opened", "treatment", "by", "bench time noted (min)", "bench time complete",
	"passes", "drive time (min)", "sectors won"}

// Hours writes the hours for the invoice as CSV (RFC 4180): a line for each round, with
// times in minutes. Bench time is what was noted with the treatments; it is complete
// where that was noted of each of them. The writer's error is returned.
func (r *Report) Hours(w io.Writer) error {
	c := csv.NewWriter(w)
	c.UseCRLF = true
	if err := c.Write(hoursHead); err != nil {
		return err
	}
	for _, x := range r.Rounds {
		complete := "yes"
		if !x.Noted {
			complete = "no"
		}
		treated := "the disc as it came in"
		if x.Round > 0 {
			treated = imager.TreatmentsInWords(r.m.Rounds()[x.Round])
		}
		err := c.Write([]string{fmt.Sprint(x.Round), r.minute(x.Opened), noFormula(treated), noFormula(x.By), minutes(x.Bench), complete,
			fmt.Sprint(x.Passes), minutes(x.Drive), fmt.Sprint(x.Won)})
		if err != nil {
			return err
		}
	}
	c.Flush()
	return c.Error()
}

func minutes(seconds float64) string { return fmt.Sprintf("%.1f", seconds/60) }

// noFormula is text that no spreadsheet takes for a formula: some do where a cell begins
// with one of these (OWASP, CSV injection [memory]).
func noFormula(text string) string {
	text = shown(text)
	if text != "" && strings.ContainsRune("=+-@\t\r", rune(text[0])) {
		return "'" + text
	}
	return text
}
