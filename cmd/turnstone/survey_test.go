package main

import (
	"strings"
	"testing"
	"time"

	"turnstone/imager/plan"
)

// TestUntilInWords: how long it lasts is a range where that says something.
func TestUntilInWords(t *testing.T) {
	for _, c := range []struct {
		lasts plan.Lasts
		want  string // in it; "": nothing is said
	}{
		{plan.Lasts{}, ""},
		{plan.Lasts{Soonest: 250 * time.Second, Latest: 260 * time.Second, OneByOne: 280 * time.Second}, ", nine tenths of them within 5 min"},
		{plan.Lasts{Soonest: 8 * time.Minute, Latest: 2 * time.Hour, OneByOne: 7 * time.Hour},
			" within 8 min to 2 h if the damage lies in marks, as it mostly does, and within 7 h if blocks fail one by one"},
		{plan.Lasts{Soonest: 300 * time.Millisecond, Latest: 700 * time.Millisecond, OneByOne: time.Second}, ", nine tenths of them within 1 s"},
		{plan.Lasts{Soonest: 480 * time.Second, Latest: 490 * time.Second, OneByOne: 7 * time.Hour},
			" within 8 min if the damage lies in marks, as it mostly does, and within 7 h if blocks fail one by one"},
	} {
		if got := untilInWords(c.lasts); !strings.HasSuffix(got, c.want) || (got == "") != (c.want == "") {
			t.Errorf("untilInWords(%v) = %q; want %q", c.lasts, got, c.want)
		}
	}
}
