package main

import (
	"crypto/rand"
	"fmt"
	"os"
	"strings"
	"time"

	"turnstone/device/sector"
)

// newCaseID is a name that no other case has.
func newCaseID() string { return rand.Text() }

// rangesValue is an option that takes ranges: first-last (both included),
// first+count or n, several with commas, or @FILE with one a line. Given several
// times, all count.
type rangesValue struct{ set *sector.Set }

func (v rangesValue) String() string { return "" }
func (v rangesValue) Type() string   { return "RANGE" }

func (v rangesValue) Set(text string) error {
	parts := strings.Split(text, ",")
	if file, ok := strings.CutPrefix(text, "@"); ok {
		b, err := os.ReadFile(file)
		if err != nil {
			return err
		}
		parts = strings.Fields(string(b))
	}
	if len(parts) == 0 {
		return fmt.Errorf("%s names no sectors", text) // not the same as no restriction
	}
	var ranges []sector.Range
	for _, p := range parts {
		r, err := sector.ParseRange(p)
		if err != nil {
			return err
		}
		ranges = append(ranges, r)
	}
	more := sector.Of(ranges...)
	*v.set = v.set.Union(&more)
	return nil
}

// timeValue is an option that takes a time above zero: 90s, 5m, 1h30m.
type timeValue struct{ d *time.Duration }

func (v timeValue) String() string {
	if v.d == nil || *v.d == 0 {
		return ""
	}
	return v.d.String()
}

func (v timeValue) Type() string { return "TIME" }

func (v timeValue) Set(text string) error {
	d, err := time.ParseDuration(text)
	if err != nil || d <= 0 {
		return fmt.Errorf("%q is not a time such as 90s, 5m or 1h30m", text)
	}
	*v.d = d
	return nil
}
