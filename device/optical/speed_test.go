package optical

import (
	"errors"
	"slices"
	"testing"

	"golang.org/x/sys/unix"

	"turnstone/device"
	"turnstone/device/scsi"
	"turnstone/device/sector"
)

// geared is what a drive makes of a speed that it is asked for.
type geared struct {
	lists  []uint32 // speeds of reading in its list of speeds; none: it has no list
	goes   []int    // speeds that it has, the lowest first; the last is its own
	deaf   bool     // it says nothing of its speed
	at     int      // it reads at
	asked  []int    // for: SET CD SPEED
	stream bool     // knows SET STREAMING only
}

// into puts it into a drive.
func (g *geared) into(c *canned) {
	g.at = g.goes[len(g.goes)-1]
	ask := func(kBps int) {
		g.asked = append(g.asked, kBps)
		g.at = g.goes[0]
		for _, n := range g.goes {
			if n <= kBps {
				g.at = n
			}
		}
	}
	c.before = func(cmd scsi.Command) (Result, error, bool) {
		r, err := scsi.Parse(cmd.CDB())
		if err != nil {
			return Result{}, nil, false
		}
		switch r := r.(type) {
		case scsi.SetCDSpeed:
			if g.stream {
				return check(invalidOpcode, 0), nil, true
			}
			ask(int(r.Read))
		case scsi.GetPerformance:
			switch {
			case r.Type == scsi.WriteSpeedList && g.lists != nil:
				var list []scsi.WriteSpeed
				for _, n := range g.lists {
					list = append(list, scsi.WriteSpeed{Read: n, Write: n})
				}
				c.answer[scsi.OpGetPerformance] = scsi.AppendWriteSpeeds(nil, list)
			case r.Type == scsi.PerformanceList && !g.deaf:
				zone := scsi.SpeedZone{StartSpeed: uint32(g.at * 2 / 5), EndSpeed: uint32(g.at)}
				c.answer[scsi.OpGetPerformance] = scsi.Performance{Zones: []scsi.SpeedZone{zone}}.Append(nil)
			default:
				delete(c.answer, scsi.OpGetPerformance)
			}
		}
		return Result{}, nil, false
	}
}

func TestSlow(t *testing.T) {
	const own = 22160 // 16x of a DVD
	for _, test := range []struct {
		name   string
		drive  geared
		refuse []scsi.Op
		cant   error
		want   int // 0: unsupported
		asked  []int
	}{
		{name: "its lowest listed", drive: geared{lists: []uint32{22160, 11080, 5540}, goes: []int{5540, 11080, own}}, want: 5540, asked: []int{5540}},
		{name: "no list", drive: geared{goes: []int{2770, own}}, want: 2770, asked: []int{2770}},
		{name: "no list, and no 2x", drive: geared{goes: []int{11080, own}}, want: 11080, asked: []int{2770}},
		{name: "a list of its own speed only", drive: geared{lists: []uint32{own, own}, goes: []int{2770, own}}, want: 2770, asked: []int{2770}},
		{name: "a list with a speed of 0", drive: geared{lists: []uint32{0, 5540}, goes: []int{5540, own}}, want: 5540, asked: []int{5540}},
		{name: "says nothing of its speed", drive: geared{lists: []uint32{5540}, goes: []int{5540, own}, deaf: true}, want: 5540, asked: []int{5540}},
		{name: "slow already", drive: geared{goes: []int{1385}}, want: 1385, asked: []int{2770}},
		{name: "does not heed it", drive: geared{goes: []int{own}}, asked: []int{2770, scsi.MaxSpeed}},
		{name: "knows neither command", drive: geared{goes: []int{own}, stream: true}, refuse: []scsi.Op{scsi.OpSetStreaming}},
		{name: "not for this user", drive: geared{goes: []int{2770, own}}, cant: unix.EACCES},
	} {
		t.Run(test.name, func(t *testing.T) {
			c := cannedDVD(2000)
			c.cantSet = test.cant
			g := test.drive
			g.into(c)
			for _, op := range test.refuse {
				c.refuse[op] = invalidOpcode
			}
			d := c.mustOpen(t)
			got, err := d.slow(true)
			if got != test.want || errors.Is(err, device.ErrUnsupported) != (test.want == 0) {
				t.Errorf("slow(true) = %d, %v; want %d, unsupported %v", got, err, test.want, test.want == 0)
			}
			if !slices.Equal(g.asked, test.asked) {
				t.Errorf("the drive was asked for %d kB/s; want %d", g.asked, test.asked)
			}
			if test.want == 0 {
				return
			}
			if got, err := d.slow(false); got != 0 || err != nil || g.asked[len(g.asked)-1] != scsi.MaxSpeed {
				t.Errorf("slow(false) = %d, %v, asked for %d; want 0, nil, and its own speed", got, err, g.asked)
			}
		})
	}
}

// What holds beside a low speed: the cap before it comes back behind it, a reset has the
// drive told again, and its own speed is restored at the end.
func TestSlowAmongOtherSettings(t *testing.T) {
	c := cannedDVD(2000)
	g := geared{goes: []int{2770, 5540, 11080, 22160}}
	g.into(c)
	d := c.mustOpen(t)
	own := d.own
	must := func(what string, err error, want ...int) {
		t.Helper()
		if err != nil {
			t.Errorf("%s = %v; want nil", what, err)
		}
		if !slices.Equal(g.asked, want) {
			t.Errorf("%s: the drive was asked for %d kB/s; want %d", what, g.asked, want)
		}
		g.asked = nil
	}
	must("a cap", d.set(device.Settings{SpeedKBps: 11080}), 11080)
	_, err := d.slow(true)
	must("slow", err, 2770)
	c.tell = []scsi.Sense{wasReset}
	if _, _, e := d.readPiece(sector.Span(0, 16), make([]byte, 16*sector.Size)); e != nil {
		t.Fatalf("a READ after a reset = %v; want all", e)
	}
	must("a reset", nil, 11080, 2770)
	_, err = d.slow(false)
	must("as before", err, 11080)
	_, err = d.slow(true)
	must("slow again", err, 2770)
	b, err := d.Call(callOwn, nil)
	if err != nil {
		t.Fatal(err)
	}
	must("restored", d.restore(b), scsi.MaxSpeed)
	if d.slowed != 0 || !own.Writable {
		t.Errorf("restored: a speed of %d is in force; want none", d.slowed)
	}
}
