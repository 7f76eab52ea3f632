package main

import (
	"fmt"
	"math"
	"strings"

	"turnstone/device"
	"turnstone/device/optical"
	"turnstone/device/sector"
)

// ofDrive is what an optical drive tells of itself and of the disc in it, in
// sentences; what it does not tell is left out.
func ofDrive(d optical.Description) []string {
	var out []string
	say := func(format string, args ...any) { out = append(out, fmt.Sprintf(format, args...)) }
	if d.Disc != "" || d.State != "" {
		parts := []string{}
		if d.Disc != "" {
			parts = append(parts, d.Disc)
		}
		if d.State != "" {
			parts = append(parts, d.State)
		}
		if d.Layers > 1 {
			parts = append(parts, fmt.Sprintf("%d layers", d.Layers))
		}
		if d.Recorded > 0 && d.Recorded != d.Sectors {
			parts = append(parts, fmt.Sprintf("%s sectors recorded (%s)", sector.Thousands(d.Recorded), size(d.Recorded)))
		}
		say("In it: %s.", strings.Join(parts, ", "))
	}
	if d.Attached != "" || d.Firmware != "" {
		text := "Attached by " + d.Attached
		switch {
		case d.Attached == "":
			text = "Firmware " + d.Firmware
		case d.Firmware != "":
			text += ", firmware " + d.Firmware
		}
		say("%s.", text)
	}
	if len(d.Reads) > 0 {
		text := "Reads " + strings.Join(d.Reads, ", ")
		if d.MaxKBps > 0 {
			text += fmt.Sprintf(", at up to %s kB/s", sector.Thousands(int64(d.MaxKBps)))
		}
		say("%s.", text)
	}
	if len(d.Speeds) > 1 {
		var at []string
		for _, kBps := range d.Speeds {
			at = append(at, speedOf(kBps, d.Kind))
		}
		say("Reads this disc at %s (--cap).", joinOr(at))
	}
	if r := d.Recovery; r != nil {
		text := fmt.Sprintf("Tries a place again up to %d times", r.ReadRetryCount)
		switch {
		case r.CanCount && d.Settable:
			text += "; that can be changed"
		case r.CanCount:
			text += "; that could be changed with write permission on its node"
		default:
			text += "; that can't be changed"
		}
		say("%s.", text)
	}
	var can []string
	if d.C2 != nil {
		can = append(can, hasOrNot(*d.C2, "C2 flags on CDs"))
	}
	if d.Streaming != nil {
		can = append(can, hasOrNot(*d.Streaming, "streaming reads"))
	}
	if len(can) > 0 {
		text := strings.Join(can, ", ")
		say("%s.", strings.ToUpper(text[:1])+text[1:])
	}
	return append(out, d.Notes...)
}

func hasOrNot(has bool, what string) string {
	if has {
		return "has " + what
	}
	return "has no " + what
}

// speedOf is a speed in the disc's multiples where it is one, else in kB/s.
func speedOf(kBps int, kind string) string {
	if _, _, known := device.Block(kind); known && kind != "" {
		if x := math.Round(float64(kBps) / device.OnceKBps(kind)); x >= 1 && math.Abs(x*device.OnceKBps(kind)-float64(kBps)) < .02*float64(kBps) {
			return fmt.Sprintf("%.0fx", x)
		}
	}
	return sector.Thousands(int64(kBps)) + " kB/s"
}
