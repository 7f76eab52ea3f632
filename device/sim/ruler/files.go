package ruler

import (
	"bufio"
	"context"
	"encoding/json"
	"io"
	"math"
	"strconv"
	"time"

	"turnstone/device/sim"
)

// trace writes read commands as the package's comment tells.
type trace struct {
	w     *bufio.Writer // nil: nobody wants them
	line  []byte
	drive string // whose name is quoted
	name  []byte // its name, as JSON
}

func newTrace(w io.Writer) *trace {
	if w == nil {
		return &trace{}
	}
	return &trace{w: bufio.NewWriterSize(w, 1<<16)}
}

// note writes a command. An error of the writer shows in flush.
func (t *trace) note(round int, drive string, c sim.Command) {
	if t.w == nil {
		return
	}
	b := append(t.line[:0], `{"round":`...)
	b = strconv.AppendInt(b, int64(round), 10)
	b = append(append(b, `,"drive":`...), t.quote(drive)...)
	b = appendSeconds(append(b, `,"t0":`...), c.Start)
	b = appendSeconds(append(b, `,"t1":`...), c.End)
	b = strconv.AppendInt(append(b, `,"lba":`...), int64(c.Range.First), 10)
	b = strconv.AppendInt(append(b, `,"count":`...), c.Range.Count(), 10)
	b = strconv.AppendInt(append(b, `,"good":`...), c.Good, 10)
	b = append(append(append(b, `,"outcome":"`...), c.Outcome...), '"')
	b = strconv.AppendInt(append(b, `,"x":`...), int64(c.X), 10)
	b = strconv.AppendInt(append(b, `,"retries":`...), int64(c.Retries), 10)
	t.line = append(b, '}', '\n')
	t.w.Write(t.line)
}

func (t *trace) flush() error {
	if t.w == nil {
		return nil
	}
	return t.w.Flush()
}

// quote is a drive's name as JSON.
func (t *trace) quote(name string) []byte {
	if t.name == nil || t.drive != name {
		t.drive = name
		t.name, _ = json.Marshal(name) // texts always can be
	}
	return t.name
}

// appendSeconds appends a time in seconds, to the microsecond.
func appendSeconds(b []byte, t time.Duration) []byte {
	us := (t + time.Microsecond/2) / time.Microsecond
	b = strconv.AppendInt(b, int64(us/1e6), 10)
	b = append(b, '.')
	at := len(b)
	b = strconv.AppendInt(b, int64(1e6+us%1e6), 10)
	return append(b[:at], b[at+1:]...)
}

// WriteTruth writes how every block fares, in all rounds with all drives, as the
// package's comment tells. It returns the writer's error, or that of ctx when it
// ends.
func WriteTruth(ctx context.Context, w io.Writer, d *sim.Disc) error {
	out := bufio.NewWriterSize(w, 1<<16)
	s := d.Scenario()
	rounds := make([][]sim.Chance, len(s.Rounds))
	var b []byte
	for n := range s.Blocks() {
		if n%1024 == 0 && ctx.Err() != nil {
			return ctx.Err()
		}
		for r := range rounds {
			rounds[r] = d.AppendChances(rounds[r][:0], r, n)
		}
		b = strconv.AppendInt(append(b[:0], `{"lba":`...), n*blockSectors, 10)
		b = table(append(b, `,"chance":`...), rounds, func(b []byte, c sim.Chance) []byte { return appendChance(b, c.Usual) })
		b = table(append(b, `,"slow":`...), rounds, func(b []byte, c sim.Chance) []byte { return appendChance(b, c.Slow) })
		b = table(append(b, `,"lost":`...), rounds, func(b []byte, c sim.Chance) []byte { return strconv.AppendBool(b, c.Lost) })
		if _, err := out.Write(append(b, '}', '\n')); err != nil {
			return err
		}
	}
	return out.Flush()
}

// table appends a list of lists: by round, by drive.
func table(b []byte, rounds [][]sim.Chance, cell func([]byte, sim.Chance) []byte) []byte {
	b = append(b, '[')
	for r, drives := range rounds {
		if r > 0 {
			b = append(b, ',')
		}
		b = append(b, '[')
		for d, c := range drives {
			if d > 0 {
				b = append(b, ',')
			}
			b = cell(b, c)
		}
		b = append(b, ']')
	}
	return append(b, ']')
}

// appendChance appends a chance with up to six decimals, 0 and 1 only where they
// are certain.
func appendChance(b []byte, p float64) []byte {
	if p == 0 || p == 1 {
		return strconv.AppendInt(b, int64(p), 10)
	}
	millionths := min(max(1, math.Round(p*1e6)), 1e6-1)
	return strconv.AppendFloat(b, millionths/1e6, 'f', -1, 64)
}
