package optical

import (
	"encoding/json"
	"reflect"
	"slices"
	"testing"
	"time"

	"golang.org/x/sys/unix"

	"turnstone/device/scsi"
)

func describeCanned(t *testing.T, c *canned) Description {
	t.Helper()
	b, err := task{node: "/canned", dial: func(string, purpose) (Transport, Host, error) { return c, c, nil }}.describe(time.Minute)
	if err != nil {
		t.Fatalf("describe = %v; want nil", err)
	}
	var d Description
	if err := json.Unmarshal(b, &d); err != nil {
		t.Fatal(err)
	}
	return d
}

func TestDescribe(t *testing.T) {
	yes := true
	c := cannedDVD(2000)
	c.config.Features = append(c.config.Features, scsi.Streaming{SetCDSpeed: true}.Feature(true))
	want := Description{
		Node: "/canned", Vendor: "INVENTED", Model: "DVD 1", Serial: "S1", Firmware: "1.00 of 20250102000000",
		Reads:    []string{"CD-ROM", "DVD-ROM"},
		Recovery: &Recovery{ReadRetryCount: 4, CanCount: true, CanTransfer: true, CanReport: true, CanUncorrect: true},
		C2:       &yes, Streaming: &yes, Settable: true, Tray: "closed", Disc: "DVD-ROM", Kind: "dvd",
		Sectors: 2000, Recorded: 2000, Layers: 1, State: "finalised", Ready: true,
	}
	if got := describeCanned(t, c); !reflect.DeepEqual(got, want) {
		t.Errorf("describe = %+v; want %+v", got, want)
	}
	for _, test := range []struct {
		name  string
		make  func(c *canned)
		check func(d Description) bool
	}{
		{"empty", func(c *canned) { c.wakes, c.sleepy = 1<<30, noMedium },
			func(d Description) bool {
				return !d.Ready && d.Model == "DVD 1" && d.Recovery != nil && contains(d.Problem, "no disc") && d.Cure != ""
			}},
		{"half of the commands", func(c *canned) {
			for _, op := range []scsi.Op{scsi.OpGetConfiguration, scsi.OpReadDiscInformation, scsi.OpReadTOC, scsi.OpReadDiscStructure,
				scsi.OpModeSense10, scsi.OpGetEventStatus} {
				c.refuse[op] = invalidOpcode
			}
		}, func(d Description) bool {
			return d.Ready && d.Sectors == 2000 && d.Recovery == nil && d.C2 == nil && d.Streaming == nil && d.Tray == ""
		}},
		{"a user who may not set it", func(c *canned) { c.cantSet = unix.EACCES },
			func(d Description) bool { return d.Ready && !d.Settable && contains(d.Notes[0], "EACCES") }},
		{"audio disc", func(c *canned) {
			c.config.Current = scsi.CDROM
			c.toc.Tracks[0].Control, c.tracks[0].TrackMode = 0, 0
		}, func(d Description) bool { return !d.Ready && d.Disc == "CD-ROM" && contains(d.Problem, "audio") }},
		{"appendable", func(c *canned) {
			c.config.Current, c.disc.Disc = scsi.DVDRSeq, scsi.Appendable
			c.tracks[0].NextWritableValid, c.tracks[0].NextWritable = true, 500
		}, func(d Description) bool {
			return d.Ready && d.State == "appendable" && d.Recorded == 500 && d.Sectors == 2000
		}},
		{"lists speeds", func(c *canned) {
			g := geared{lists: []uint32{22160, 5540, 11080, 5540, 0}, goes: []int{22160}}
			g.into(c)
		}, func(d Description) bool { return slices.Equal(d.Speeds, []int{5540, 11080, 22160}) }},
		{"not changeable", func(c *canned) { c.mask = scsi.Recovery{Flags: scsi.AWRE}.Page() },
			func(d Description) bool { return !d.Recovery.CanCount && !d.Recovery.CanTransfer }},
	} {
		c := cannedDVD(2000)
		test.make(c)
		d := describeCanned(t, c)
		if !test.check(d) {
			t.Errorf("describe of %s = %+v; want otherwise", test.name, d)
		}
		if n := c.count(scsi.OpModeSelect10) + c.count(scsi.OpSetCDSpeed) + len(c.reads()); n != 0 {
			t.Errorf("describe of %s sets or reads something: %v", test.name, c.log)
		}
	}
}

// Through a child, as the program does.
func TestDescribeInAChild(t *testing.T) {
	if d := describeBy(t.Context(), cannedOpener, "/canned/dvd", time.Hour); !d.Ready || d.Sectors != 1000 || d.Problem != "" {
		t.Errorf("Describe(dvd) = %+v; want it ready", d)
	}
	if d := describeBy(t.Context(), cannedOpener, "/canned/absent", time.Hour); d.Ready || !contains(d.Problem, "no such drive") {
		t.Errorf("Describe(absent) = %+v; want that it is not there", d)
	}
	if d := describeBy(t.Context(), cannedOpener, "/canned/stuck", 100*time.Millisecond); !contains(d.Problem, "no answer within 100ms") || d.Cure == "" {
		t.Errorf("Describe(stuck) = %+v; want that it does not answer", d)
	}
	if d := Describe(t.Context(), "/dev/null", time.Hour); !contains(d.Problem, "not the node of an optical drive") {
		t.Errorf("Describe(/dev/null) = %+v; want that it is no optical drive", d)
	}
}
