package unit

import (
	"slices"
	"testing"

	"turnstone/device/scsi"
)

func TestModeSense(t *testing.T) {
	h := loaded(t, Pressed(clean(t), 0), Usual())
	page := func(code scsi.PageCode, which scsi.PageControl) scsi.ModePage {
		t.Helper()
		m := tells(h, scsi.ModeSense10{Control: which, Page: code, Alloc: 256}, scsi.ParseModeData)
		p, ok := m.Page(code)
		if !ok || len(m.Blocks) != 0 {
			t.Fatalf("MODE SENSE of page %02Xh = %+v; want that page, and no block descriptors", code, m)
		}
		return p
	}
	h.selectRetries(2)
	for which, want := range map[scsi.PageControl]scsi.Recovery{
		scsi.CurrentValues:    {Flags: scsi.ARRE, ReadRetries: 2},
		scsi.DefaultValues:    {Flags: scsi.ARRE, ReadRetries: 4},
		scsi.ChangeableValues: Usual().Mask,
	} {
		if got, err := page(scsi.PageRecovery, which).Recovery(); err != nil || got != want {
			t.Errorf("page 01h, values %d = %+v, %v; want %+v", which, got, err, want)
		}
	}
	h.says(scsi.SetCDSpeed{Read: 9 * 1385}, "")
	if c, err := page(scsi.PageCapabilities, scsi.CurrentValues).Capabilities(); err != nil || c.MaxRead != 16*1385 || c.CurrentRead != 8*1385 {
		t.Errorf("page 2Ah under a cap of 9x = %+v, %v; want 16x and 8x", c, err)
	}
	if c, _ := page(scsi.PageCapabilities, scsi.ChangeableValues).Capabilities(); c != (scsi.Capabilities{}) {
		t.Errorf("the mask of page 2Ah = %+v; want nothing changeable", c)
	}
	if m := tells(h, scsi.ModeSense10{Page: 0x3F, Alloc: 256}, scsi.ParseModeData); len(m.Pages) != 2 {
		t.Errorf("MODE SENSE of all pages = %d pages; want 2", len(m.Pages))
	}
}

func TestModeSelect(t *testing.T) {
	own := scsi.Recovery{Flags: scsi.ARRE, ReadRetries: 4}
	with := func(change func(p scsi.ModePage) scsi.ModePage) scsi.ModePage { return change(own.Page()) }
	for _, test := range []struct {
		name string
		page scsi.ModePage
		code string
		at   int // of the list
	}{
		{"as it is", own.Page(), "", 0},
		{"retries", scsi.Recovery{Flags: scsi.ARRE, ReadRetries: 255}.Page(), "", 0},
		{"the least", scsi.Recovery{Flags: scsi.ARRE, ReadRetries: 1}.Page(), "", 0},
		{"below the least", scsi.Recovery{Flags: scsi.ARRE}.Page(), "5/26/02", 11},
		{"TB and PER", scsi.Recovery{Flags: scsi.ARRE | scsi.TB | scsi.PER, ReadRetries: 4}.Page(), "", 0},
		{"DCR, which the mask does not have", scsi.Recovery{Flags: scsi.ARRE | scsi.DCR, ReadRetries: 4}.Page(), "5/26/00", 10},
		{"write retries", scsi.Recovery{Flags: scsi.ARRE, ReadRetries: 4, WriteRetries: 1}.Page(), "5/26/00", 16},
		{"the old length", with(func(p scsi.ModePage) scsi.ModePage { p[1] = 6; return p[:8] }), "5/26/00", 8},
		{"another page", with(func(p scsi.ModePage) scsi.ModePage { p[0] = 8; return p }), "5/26/00", 8},
		{"page 2Ah as it is", scsi.Capabilities{ReadCDR: true, ReadCDRW: true, ReadDVDROM: true, ReadDVDR: true, ReadDVDRAM: true,
			Loading: 1, Lock: true, Buffer: 2048, MaxRead: 22160, CurrentRead: 22160}.Page(), "", 0},
		{"page 2Ah, changed", scsi.Capabilities{}.Page(), "5/26/00", 10},
	} {
		h := loaded(t, Pressed(clean(t), 0), Usual())
		a := h.selects(test.page)
		if got := code(a); got != test.code {
			t.Errorf("MODE SELECT, %s = %q; want %q", test.name, got, test.code)
			continue
		}
		now, _, isOwn := h.Settings()
		if test.code != "" {
			if inCommand, at, ok := h.sense(a).Field(); inCommand || !ok || int(at) != test.at {
				t.Errorf("MODE SELECT, %s: the field pointer is %v, byte %d, valid %v; want byte %d of the list", test.name, inCommand, at, ok, test.at)
			}
			if !isOwn {
				t.Errorf("MODE SELECT, %s, was refused and left %+v; want nothing changed", test.name, now)
			}
		} else if want, err := test.page.Recovery(); err == nil && now != want {
			t.Errorf("MODE SELECT, %s: the page is %+v; want %+v", test.name, now, want)
		}
	}
	h := loaded(t, Pressed(clean(t), 0), Usual())
	h.says(scsi.ModeSelect10{}, "") // SPC: no list is no error
	_, list, _ := scsi.SelectMode(own.Page())
	copy(list[6:], []byte{0, 8})
	if got := code(h.Do(scsi.ModeSelect10{Length: 20}.Command().CDB(), list, 0)); got != "5/26/00" {
		t.Errorf("MODE SELECT with block descriptors = %q; want 5/26/00", got)
	}
	if got := code(h.Do(scsi.ModeSelect10{Length: 40}.Command().CDB(), list, 0)); got != "5/1A/00" {
		t.Errorf("MODE SELECT of 40 bytes of which 20 come = %q; want 5/1A/00", got)
	}
	m := Usual()
	m.Rounds = true
	kind := loaded(t, Pressed(clean(t), 0), m)
	if got := code(kind.selects(scsi.Recovery{Flags: scsi.ARRE}.Page())); got != "" {
		t.Errorf("MODE SELECT below the least of a drive that rounds = %q; want good", got)
	}
	if now, _, _ := kind.Settings(); now.ReadRetries != 1 {
		t.Errorf("a drive that rounds has %d retries; want 1", now.ReadRetries)
	}
}

func TestSpeeds(t *testing.T) {
	h := loaded(t, Pressed(clean(t, "LAYERS", `, "layers": 2, "layer0_sectors": 2400`), 0), Usual())
	ask := func(r scsi.GetPerformance) []scsi.SpeedZone {
		t.Helper()
		return tells(h, r, scsi.ParsePerformance).Zones
	}
	all := scsi.GetPerformance{DataType: scsi.NominalRead, Max: 9}
	zones := ask(all)
	if len(zones) != 2 || zones[0].Start != 0 || zones[0].End != 2399 || zones[1].Start != 2400 || zones[1].End != 4799 {
		t.Fatalf("GET PERFORMANCE of two layers = %+v; want a zone for each", zones)
	}
	// 16x at 58 mm; the data zone begins at 24 mm (ECMA-267): 24/58 of it there.
	if at := zones[0].StartSpeed; at < 9100 || at > 9250 || zones[0].EndSpeed <= at || zones[1].EndSpeed >= zones[1].StartSpeed {
		t.Errorf("speeds %+v; want about 9170 kB/s at the hub, rising, then falling", zones)
	}
	if got := ask(scsi.GetPerformance{DataType: scsi.NominalRead, Start: 3000, Max: 9}); len(got) != 1 || got[0] != zones[1] {
		t.Errorf("GET PERFORMANCE from layer 1 on = %+v; want its zone", got)
	}
	if got := ask(scsi.GetPerformance{DataType: scsi.NominalRead, Max: 1}); len(got) != 1 {
		t.Errorf("GET PERFORMANCE of one zone = %+v; want one", got)
	}
	// The scenario's drive goes at 16x, the model's at 12x, 8x, 6x, 4x and 2x beside that.
	var listed []uint32
	for _, w := range tells(h, scsi.GetPerformance{Max: 9, Type: scsi.WriteSpeedList}, scsi.ParseWriteSpeeds) {
		listed = append(listed, w.Read)
	}
	if want := []uint32{16 * 1385, 12 * 1385, 8 * 1385, 6 * 1385, 4 * 1385, 2 * 1385}; !slices.Equal(listed, want) {
		t.Errorf("speeds listed %d; want %d", listed, want)
	}
	streams := func(r scsi.StreamRange) string { return code(h.Do(r.Command().CDB(), r.Append(nil), 0)) }
	for _, test := range []struct {
		r         scsi.StreamRange
		code      string
		limit, at int
	}{
		{scsi.ReadRate(8*1385, 4799), "", 8 * 1385, 0},
		{scsi.StreamRange{End: 4799, ReadSize: 3000, ReadTime: 500}, "", 6000, 0},
		{scsi.StreamRange{End: 4799, ReadSize: 1, ReadTime: 1 << 31}, "", 1, 0},
		{scsi.StreamRange{End: 4799, ReadSize: 3000}, "5/26/00", 1, 16},
		{scsi.StreamRange{Start: 9, End: 8, ReadSize: 1, ReadTime: 1}, "5/26/00", 1, 4},
		{scsi.StreamRange{Restore: true}, "", 0, 0},
	} {
		got := streams(test.r)
		if _, limit, _ := h.Settings(); got != test.code || limit != test.limit {
			t.Errorf("SET STREAMING %+v = %q, cap %d; want %q, %d", test.r, got, limit, test.code, test.limit)
		}
	}
	if got := code(h.Do(scsi.SetStreaming{Length: 28}.Command().CDB(), make([]byte, 20), 0)); got != "5/1A/00" {
		t.Errorf("SET STREAMING with 20 bytes = %q; want 5/1A/00", got)
	}
	h.says(scsi.SetCDSpeed{Read: 4 * 1385, Write: scsi.MaxSpeed}, "")
	if got := ask(all)[0]; got.StartSpeed*4/zones[0].StartSpeed != 1 && (got.StartSpeed+1)*4 < zones[0].StartSpeed {
		t.Errorf("GET PERFORMANCE under 4x = %+v; want a quarter of %+v", got, zones[0])
	}
	// A cap holds for what is read: the same block takes four times as long, and more.
	slow, fast := h, loaded(t, Pressed(clean(t), 0), Usual())
	slow.says(read10(0, 16), "")
	fast.says(read10(0, 16), "")
	a, b := slow.last(), fast.last()
	if ratio := float64(a.End-a.Start) / float64(b.End-b.Start); ratio < 3.9 || ratio > 4.1 || a.Cap != 4*1385 {
		t.Errorf("a block under 4x takes %.2f times what it takes at 16x, the log's cap is %d; want 4, %d", ratio, a.Cap, 4*1385)
	}
	h.says(scsi.SetCDSpeed{Read: scsi.MaxSpeed}, "")
	if _, limit, own := h.Settings(); limit != 0 || !own {
		t.Errorf("the cap after SET CD SPEED FFFFh = %d, own %v; want none", limit, own)
	}
}
