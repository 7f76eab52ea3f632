package report

import (
	"fmt"
	"strconv"
	"strings"
	"time"
	"unicode"

	"turnstone/device/sector"
)

// some is so many of something: "1 place", "3 places".
func some(n int64, what string) string {
	if n == 1 {
		return "1 " + what
	}
	return sector.Thousands(n) + " " + what + "s"
}

// data is an amount of bytes.
func data(n int64) string {
	for _, u := range []struct {
		below float64
		by    float64
		form  string
	}{{999.5, 1, "%.0f bytes"}, {999.5e3, 1e3, "%.0f kB"}, {999.95e6, 1e6, "%.1f MB"}} {
		if b := float64(n); b < u.below {
			if n == 1 {
				return "1 byte"
			}
			return fmt.Sprintf(u.form, b/u.by)
		}
	}
	return fmt.Sprintf("%.2f GB", float64(n)/1e9)
}

// amount is sectors as an amount of data.
func amount(sectors int64) string { return data(sectors * sector.Size) }

// percent is a share that is 100 only where nothing is missing, and 0 only where nothing
// is there.
func percent(part, whole int64) string {
	switch p := 100 * float64(part) / float64(max(1, whole)); {
	case part <= 0:
		return "0 %"
	case part >= whole:
		return "100 %"
	case p < 0.1:
		return "less than 0.1 %"
	case p > 99.9:
		return "more than 99.9 %"
	default:
		return strconv.FormatFloat(p, 'f', 1, 64) + " %"
	}
}

// lasts is a time that something takes, in its two largest units: "1 h 12 min",
// "48 min 10 s", "12 s".
func lasts(d time.Duration) string {
	if d > 0 && d < time.Second {
		return "less than 1 s"
	}
	s := int64(d.Round(time.Second) / time.Second)
	two := func(a int64, unit string, b int64, less string) string {
		if b == 0 {
			return fmt.Sprintf("%d %s", a, unit)
		}
		return fmt.Sprintf("%d %s %d %s", a, unit, b, less)
	}
	switch {
	case s < 60:
		return fmt.Sprintf("%d s", s)
	case s < 3600:
		return two(s/60, "min", s%60, "s")
	}
	m := (s + 30) / 60
	return two(m/60, "h", m%60, "min")
}

func seconds(s float64) string { return lasts(time.Duration(s * float64(time.Second))) }

// plays is the length of a film, to the second: "1 h 19 min 48 s".
func plays(d time.Duration) string {
	if d < time.Hour {
		return lasts(d)
	}
	d = d.Round(time.Second)
	s := fmt.Sprintf("%d h", d/time.Hour)
	if rest := d % time.Hour; rest > 0 {
		s += " " + lasts(rest)
	}
	return s
}

// position is a place in a film: "0:48:10".
func position(d time.Duration) string {
	s := int64(d / time.Second)
	return fmt.Sprintf("%d:%02d:%02d", s/3600, s/60%60, s%60)
}

// moment is a time with its zone, in full.
func (r *Report) moment(t time.Time) string {
	t = t.In(r.zone)
	s := t.Format("2 January 2006, 15:04")
	if name := t.Format("MST"); !strings.ContainsAny(name, "+-") {
		s += " " + name
	}
	return s + " (UTC" + t.Format("-07:00") + ")"
}

// minute is a time for tables, which say the zone once.
func (r *Report) minute(t time.Time) string {
	if t.IsZero() {
		return ""
	}
	return t.In(r.zone).Format("2006-01-02 15:04")
}

// day is the day of a time.
func (r *Report) day(t time.Time) string { return t.In(r.zone).Format("2 January 2006") }

// until is a day as it is noted in the case: 2006-01-02.
func until(day string) string {
	t, err := time.Parse(time.DateOnly, day)
	if err != nil {
		return day
	}
	return t.Format("2 January 2006")
}

// shown is text of others as it can be shown: what hides or turns round what stands
// beside it is quoted. That it is no HTML is html/template's business.
func shown(text string) string {
	if strings.IndexFunc(text, func(r rune) bool { return !unicode.IsPrint(r) }) >= 0 || text != strings.ToValidUTF8(text, "") {
		return strconv.QuoteToGraphic(text)
	}
	return text
}
