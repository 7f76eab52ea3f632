package faultydisc

import (
	"strings"
	"syscall"
	"testing"
	"time"

	"turnstone/device/sector"
)

func TestParseCommand(t *testing.T) {
	span := sector.Span
	for line, want := range map[string]Command{
		"fail 100+4":            {Do: Fail, Sectors: span(100, 4), Errno: syscall.EIO, Times: Always},
		"fail 100-103 ENODATA":  {Do: Fail, Sectors: span(100, 4), Errno: syscall.ENODATA, Times: Always},
		"fail 7 3":              {Do: Fail, Sectors: span(7, 1), Errno: syscall.EIO, Times: 3},
		" fail  7 eilseq 1 ":    {Do: Fail, Sectors: span(7, 1), Errno: syscall.EILSEQ, Times: 1},
		"delay 300+16 20s":      {Do: Delay, Sectors: span(300, 16), Wait: 20 * time.Second, Times: Always},
		"delay 300+16 1m30s 2":  {Do: Delay, Sectors: span(300, 16), Wait: 90 * time.Second, Times: 2},
		"hang 400":              {Do: Hang, Sectors: span(400, 1)},
		"await":                 {Do: Await, Times: 1},
		"await 3":               {Do: Await, Times: 3},
		"release":               {Do: Release},
		"gone":                  {Do: Gone},
		"abort":                 {Do: Abort},
		"heal":                  {Do: Heal},
		"counts":                {Do: Count},
		"log":                   {Do: Log},
		"reset":                 {Do: Reset},
		"fail 18446744073709+1": {Do: Fail, Sectors: span(18446744073709, 1), Errno: syscall.EIO, Times: Always},
	} {
		got, err := ParseCommand(line)
		if err != nil || got != want {
			t.Errorf("ParseCommand(%q) = %+v, %v; want %+v, nil", line, got, err, want)
		}
	}
	for line, want := range map[string]string{
		"":                     "no command",
		"Fail 3":               `no command "Fail"`,
		"fail":                 "which sectors",
		"fail x":               `"x" is not a sector number`,
		"fail 5-3":             "ends before it begins",
		"fail 3 EPERM":         `"EPERM" is none of EIO`,
		"fail 3 EIO 0":         `"0" is not a number of times`,
		"fail 3 EIO -1":        `"-1" is not a number of times`,
		"fail 3 EIO 1 2":       `"2" is one word too many`,
		"delay 3":              "how long",
		"delay 3 soon":         `"soon" is not a time`,
		"delay 3 -1s":          `"-1s" is not a time`,
		"delay 3 99999999999h": "is not a time",
		"hang 3 4":             `"4" is one word too many`,
		"release 3":            `"3" is one word too many`,
		"await 0":              `"0" is not a number of times`,
	} {
		if got, err := ParseCommand(line); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("ParseCommand(%q) = %+v, %v; want the error %q", line, got, err, want)
		}
	}
}

// What parses is typed again by String, and means the same.
func FuzzParseCommand(f *testing.F) {
	for _, line := range []string{
		"fail 100+4", "fail 7 ENODATA 2", "fail 0-9 3", "delay 3 1h2m3.5s 2", "hang 4+1", "await 2", "heal", "log x", "delay 1 1ns",
	} {
		f.Add(line)
	}
	f.Fuzz(func(t *testing.T, line string) {
		c, err := ParseCommand(line)
		if err != nil {
			return
		}
		again, err := ParseCommand(c.String())
		if err != nil || again != c {
			t.Errorf("ParseCommand(%q) = %+v, %v; want %+v as from %q", c.String(), again, err, c, line)
		}
	})
}
