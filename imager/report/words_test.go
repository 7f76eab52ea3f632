package report

import (
	"testing"
	"time"

	"turnstone/device/sector"
)

// Numbers, amounts and times as people read them.
func TestWords(t *testing.T) {
	for _, c := range []struct{ got, want string }{
		{sector.Thousands(0), "0"}, {sector.Thousands(999), "999"}, {sector.Thousands(1000), "1,000"}, {sector.Thousands(1234567), "1,234,567"}, {sector.Thousands(-1000), "-1,000"}, {sector.Thousands(1000005), "1,000,005"},
		{data(0), "0 bytes"}, {data(1), "1 byte"}, {data(999), "999 bytes"}, {data(1000), "1 kB"}, {data(999499), "999 kB"}, {data(999500), "1.0 MB"}, {data(4_700_000_000), "4.70 GB"},
		{percent(0, 10), "0 %"}, {percent(1, 1_000_000), "less than 0.1 %"}, {percent(999_999, 1_000_000), "more than 99.9 %"}, {percent(853, 1000), "85.3 %"}, {percent(10, 10), "100 %"}, {percent(0, 0), "0 %"},
		{lasts(0), "0 s"}, {lasts(300 * time.Millisecond), "less than 1 s"}, {lasts(59 * time.Second), "59 s"}, {lasts(60 * time.Second), "1 min"}, {lasts(90 * time.Second), "1 min 30 s"},
		{lasts(3599*time.Second + 600*time.Millisecond), "1 h"}, {lasts(2*time.Hour + 29*time.Second), "2 h"}, {lasts(2*time.Hour + 12*time.Minute), "2 h 12 min"},
		{plays(59 * time.Minute), "59 min"}, {plays(time.Hour), "1 h"}, {plays(time.Hour + 19*time.Minute + 48*time.Second), "1 h 19 min 48 s"}, {plays(time.Hour + 5*time.Second), "1 h 5 s"},
		{position(0), "0:00:00"}, {position(48*time.Minute + 10*time.Second), "0:48:10"}, {position(10*time.Hour + 59*time.Second), "10:00:59"},
		{some(1, "place"), "1 place"}, {some(2000, "place"), "2,000 places"},
		{wholeOf(0, 1, "film"), "The one film is not whole"}, {wholeOf(0, 3, "film"), "None of 3 films is whole"}, {wholeOf(1, 3, "film"), "1 of 3 films is whole"}, {wholeOf(2, 3, "film"), "2 of 3 films are whole"},
		{until("2027-05-31"), "31 May 2027"}, {until("some day"), "some day"},
		{head("abcdef", 4), "abc…"}, {tail("abcdef", 4), "…def"}, {tail("abc", 4), "abc"},
	} {
		if c.got != c.want {
			t.Errorf("%q; want %q", c.got, c.want)
		}
	}
	r := &Report{zone: zone}
	at := time.Date(2026, 7, 1, 23, 30, 0, 0, time.UTC)
	if got := r.moment(at); got != "2 July 2026, 00:30 CET (UTC+01:00)" {
		t.Errorf("moment() = %q", got)
	}
	r.zone = time.FixedZone("", -3600*3-1800) // a zone without a name
	if got := r.moment(at); got != "1 July 2026, 20:00 (UTC-03:30)" {
		t.Errorf("moment() in a zone without a name = %q", got)
	}
}

// What is whole, and how much of the rest there is.
func TestFilesInWords(t *testing.T) {
	whole, damaged := FileFacts{State: "whole", Size: 1_000_000}, FileFacts{State: "damaged", Size: 1_000_000, Missing: 400_000}
	for _, c := range []struct {
		files []FileFacts
		want  string
	}{
		{[]FileFacts{whole}, "The one file is whole (1.0 MB)."},
		{[]FileFacts{whole, whole}, "All 2 files are whole (2.0 MB)."},
		{[]FileFacts{whole, damaged}, "1 of 2 files is whole; 1.6 MB of 2.0 MB were saved."},
		{[]FileFacts{whole, {State: "damaged", Size: 1_000_000, Missing: 2048}}, "1 of 2 files is whole; all but 2 kB of 2.0 MB were saved."},
		{[]FileFacts{whole, {State: "disputed", Size: 1_000_000}}, "1 of 2 files is whole."},
		{[]FileFacts{damaged, {State: "unknown", Size: -1}}, "None of 2 files is whole. Of some it is not known how large they are."},
	} {
		if got := filesInWords(c.files, "file"); got != c.want {
			t.Errorf("filesInWords() = %q; want %q", got, c.want)
		}
	}
}
