package sim

import (
	"errors"
	"math"
	"testing"
	"time"

	"turnstone/device"
	"turnstone/device/sector"
)

func TestRestTakesTimeOnly(t *testing.T) {
	d := disc(t)
	rested, busy := open(t, d, Opening{}), open(t, d, Opening{})
	for _, v := range []*driven{rested, busy} {
		v.ask(block(0))
	}
	rested.Rest(time.Hour)
	rested.Rest(-time.Hour)
	if got := rested.Now() - busy.Now(); got != time.Hour {
		t.Errorf("Rest(1h), Rest(-1h) moved the clock by %v; want 1h", got)
	}
	rested.ask(block(1))
	busy.ask(block(1))
	if got := rested.Now() - busy.Now(); got != time.Hour {
		t.Errorf("the block after an hour's rest took %v more than without; want nothing", got-time.Hour)
	}
}

// The numbers are those of a move before a READ, without its transfer.
func TestSeek(t *testing.T) {
	d := disc(t)
	sought, read := open(t, d, Opening{}), open(t, d, Opening{})
	const far = sector.LBA(40000)
	if err := sought.Seek(far); err != nil {
		t.Fatalf("Seek(%d) = %v; want nil", far, err)
	}
	want := 0.06 + 0.09*math.Sqrt((d.radius(far)-d.radius(0))/34) + turnAt16(d).Seconds()/2
	if got := sought.Now().Seconds(); math.Abs(got-want) > 2e-8 {
		t.Errorf("Seek(%d) took %.9f s; want %.9f", far, got, want)
	}
	if err := sought.Seek(far); err != nil || sought.Now().Seconds() > want+2e-8 {
		t.Errorf("Seek to where the head is = %v, at %v; want nil and no time", err, sought.Now())
	}
	sought.ask(sector.Span(far, 16))
	read.ask(sector.Span(far, 16))
	if diff := sought.Now() - read.Now(); diff < -2 || diff > 2 { // each part is rounded to a nanosecond
		t.Errorf("seek and read end at %v, the read alone at %v; want the same", sought.Now(), read.Now())
	}
	for _, a := range []sector.LBA{-1, 48000} {
		if err := sought.Seek(a); err == nil || errors.Is(err, device.ErrClosed) {
			t.Errorf("Seek(%d) of 48000 sectors = %v; want it refused", a, err)
		}
	}
	sought.Close()
	if err := sought.Seek(0); !errors.Is(err, device.ErrClosed) {
		t.Errorf("Seek after Close = %v; want %v", err, device.ErrClosed)
	}
}

// 1x is 1385 kB/s, at 58 mm.
func TestSpeedsUnderACap(t *testing.T) {
	d := disc(t)
	spec := d.Scenario().Drives[0]
	for _, test := range []struct{ limit, want int }{
		{0, 16 * 1385}, {65535, 16 * 1385}, {16 * 1385, 16 * 1385}, {16*1385 - 1, 12 * 1385},
		{8 * 1385, 8 * 1385}, {4000, 2 * 1385}, {1, 2 * 1385},
	} {
		if got := spec.KBps(test.limit); got != test.want {
			t.Errorf("KBps(%d) of a drive of 16x = %d; want %d", test.limit, got, test.want)
		}
	}
	spec.MaxX = 8
	if got := spec.KBps(0); got != 8*1385 {
		t.Errorf("KBps(0) of a drive of 8x = %d; want %d", got, 8*1385)
	}
	// ECMA-267: the data zone begins at 24 mm.
	if got := d.Rate(0, 58000); got < 23900 || got > 24100 {
		t.Errorf("Rate(0, 58000) = %d; want about 24000", got)
	}
}
