package main

import (
	"crypto/rand"
	"fmt"
	"os"
	"strconv"
	"strings"
	"time"

	"turnstone/device"
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

// speedValue is an option that takes a speed: 4x, of the disc's kind, or 5540kB/s.
type speedValue struct{ s *driveSpeed }

// driveSpeed is a speed as it was said; one of the two is 0, or both where none was.
type driveSpeed struct {
	times float64 // of the disc's 1x
	kBps  int     // 1000 bytes a second
}

func (v speedValue) String() string { return "" }
func (v speedValue) Type() string   { return "SPEED" }

func (v speedValue) Set(text string) error {
	bad := fmt.Errorf("%q is not a speed such as 4x or 5540kB/s", text)
	if n, ok := strings.CutSuffix(text, "kB/s"); ok {
		k, err := strconv.Atoi(strings.TrimSpace(n))
		if err != nil || k <= 0 || k > mostKBps {
			return bad
		}
		*v.s = driveSpeed{kBps: k}
		return nil
	}
	n, ok := strings.CutSuffix(text, "x")
	x, err := strconv.ParseFloat(n, 64)
	if !ok || err != nil || !(x > 0 && x <= 100) {
		return bad
	}
	*v.s = driveSpeed{times: x}
	return nil
}

// mostKBps is what SET CD SPEED can hold; the value above it means the highest speed
// (MMC).
const mostKBps = 0xFFFE

// of is the speed in kB/s for a kind of disc; 0 where none was said.
func (s driveSpeed) of(kind string) int {
	if s.times == 0 {
		return s.kBps
	}
	return min(int(s.times*device.OnceKBps(kind)+0.5), mostKBps)
}
