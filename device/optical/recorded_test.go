package optical

import (
	"reflect"
	"testing"

	"turnstone/device"
	"turnstone/device/scsi"
	"turnstone/device/sector"
)

// Discs as drives tell of them, invented after the trade's kinds, and what of them is
// recorded. Addresses of sessions on a CD-R: the lead-out and lead-in between the first
// two take 11,400 sectors (common practice).
func TestRecorded(t *testing.T) {
	track := func(n uint16, start, size uint32, more ...func(*scsi.TrackInformation)) scsi.TrackInformation {
		i := scsi.TrackInformation{Track: n, Session: 1, TrackMode: 4, DataMode: 1, Start: start, Size: size}
		for _, m := range more {
			m(&i)
		}
		return i
	}
	next := func(a uint32) func(*scsi.TrackInformation) {
		return func(i *scsi.TrackInformation) { i.NextWritableValid, i.NextWritable = true, a }
	}
	last := func(a uint32) func(*scsi.TrackInformation) {
		return func(i *scsi.TrackInformation) { i.LastRecordedValid, i.LastRecorded = true, a }
	}
	blank := func(i *scsi.TrackInformation) { i.Blank = true }
	sound := func(i *scsi.TrackInformation) { i.TrackMode = 0 }
	closed := &scsi.DiscInformation{Disc: scsi.Finalized}
	open := &scsi.DiscInformation{Disc: scsi.Appendable}
	other := &scsi.DiscInformation{Disc: scsi.OtherState}
	capacity := func(n uint32) *scsi.Capacity { return &scsi.Capacity{Last: n - 1, BlockLen: 2048} }
	span := sector.Span
	for _, test := range []struct {
		name    string
		kind    string
		facts   facts
		sectors int64
		written []sector.Range
		sound   []uint8
	}{
		{"pressed DVD", "dvd", facts{Capacity: capacity(2000000), Disc: closed, Tracks: []scsi.TrackInformation{track(1, 0, 2000000)}},
			2000000, []sector.Range{span(0, 2000000)}, nil},
		{"no track information", "dvd", facts{Capacity: capacity(2000000), Disc: closed}, 2000000, nil, nil},
		{"capacity alone", "", facts{Capacity: capacity(2000000)}, 2000000, nil, nil},
		{"block length that means 2048", "cd", facts{Capacity: &scsi.Capacity{Last: 999, BlockLen: 2352}}, 1000, nil, nil},
		{"DVD-R never closed, capacity of the empty part", "dvd", facts{Capacity: capacity(2298496), Disc: open, Tracks: []scsi.TrackInformation{
			track(1, 0, 2298496, next(500016))}}, 2298496, []sector.Range{span(0, 500016)}, nil},
		{"DVD+R with two sessions and an open one", "dvd", facts{Capacity: capacity(100000), Disc: open, Tracks: []scsi.TrackInformation{
			track(1, 0, 100000, last(99999)), track(2, 120000, 30000), track(3, 160000, 2000000, blank, next(160000))}},
			150000, []sector.Range{span(0, 100000), span(120000, 30000)}, nil},
		{"last recorded address before the end", "dvd", facts{Capacity: capacity(300000), Disc: open, Tracks: []scsi.TrackInformation{
			track(1, 0, 300000, last(123455))}}, 300000, []sector.Range{span(0, 123456)}, nil},
		{"last recorded address that can't be", "dvd", facts{Capacity: capacity(300000), Disc: open, Tracks: []scsi.TrackInformation{
			track(1, 0, 300000, last(900000))}}, 300000, []sector.Range{span(0, 300000)}, nil},
		{"a blank track that says no more", "dvd", facts{Capacity: capacity(300000), Disc: open, Tracks: []scsi.TrackInformation{
			track(1, 0, 100000), track(2, 100000, 200000, blank)}}, 300000, []sector.Range{span(0, 100000)}, nil},
		{"a track without an end", "dvd", facts{Capacity: capacity(300000), Disc: open, Tracks: []scsi.TrackInformation{
			track(1, 0, 0xFFFFFFF0)}}, 300000, nil, nil},
		{"DVD-RAM", "dvd", facts{Capacity: capacity(2236704), Disc: other, Tracks: []scsi.TrackInformation{track(1, 0, 2236704)}},
			2236704, []sector.Range{span(0, 2236704)}, nil},
		{"packet-written CD-RW", "cd", facts{Capacity: capacity(295264), Disc: closed, Tracks: []scsi.TrackInformation{
			track(1, 0, 295264, func(i *scsi.TrackInformation) { i.Packet, i.FixedPacket, i.PacketSize = true, true, 32 })}},
			295264, []sector.Range{span(0, 295264)}, nil},
		{"CD-R of two sessions", "cd", facts{Capacity: capacity(61400), Disc: closed, Tracks: []scsi.TrackInformation{
			track(1, 0, 30000), track(2, 41400, 20000)}}, 61400, []sector.Range{span(0, 30000), span(41400, 20000)}, nil},
		{"CD with data before sound", "cd", facts{Capacity: capacity(90000), Disc: closed, Tracks: []scsi.TrackInformation{
			track(1, 0, 30000), track(2, 30150, 20000, sound), track(3, 50150, 39850, sound)}},
			90000, []sector.Range{span(0, 30000)}, []uint8{2, 3}},
		{"the table of contents says so", "cd", facts{Capacity: capacity(90000), Disc: closed,
			TOC:    &scsi.TOC{Tracks: []scsi.TOCTrack{{Number: 1, Control: 4}, {Number: 2}}},
			Tracks: []scsi.TrackInformation{track(1, 0, 30000), track(2, 30000, 60000)}},
			90000, []sector.Range{span(0, 30000)}, []uint8{2}},
		{"a table of contents alone", "cd", facts{Capacity: capacity(90000), TOC: &scsi.TOC{Tracks: []scsi.TOCTrack{
			{Number: 1, Control: 4}, {Number: 2, Address: 30000}, {Number: scsi.LeadOutTrack, Address: 90000}}}},
			90000, []sector.Range{span(0, 30000)}, []uint8{2}},
		{"track before 0", "cd", facts{Capacity: capacity(90000), Disc: closed, Tracks: []scsi.TrackInformation{track(1, 0xFFFFFF6A, 90150)}},
			90000, nil, nil},
		{"track without a size", "dvd", facts{Capacity: capacity(90000), Disc: closed, Tracks: []scsi.TrackInformation{track(1, 0, 0)}},
			90000, nil, nil},
		{"capacity too small", "dvd", facts{Capacity: capacity(1000), Disc: closed, Tracks: []scsi.TrackInformation{track(1, 0, 2000000)}},
			2000000, []sector.Range{span(0, 2000000)}, nil},
		{"no capacity", "dvd", facts{Disc: closed, Tracks: []scsi.TrackInformation{track(1, 0, 2000000)}},
			2000000, []sector.Range{span(0, 2000000)}, nil},
		{"capacity 50 too large, as drives say", "dvd", facts{Capacity: capacity(2000050), Disc: closed, Tracks: []scsi.TrackInformation{track(1, 0, 2000000)}},
			2000050, []sector.Range{span(0, 2000000)}, nil},
		{"capacity far too large, and a third word", "dvd", facts{Capacity: capacity(2298496), Disc: closed,
			Physical: []scsi.PhysicalFormat{{Layers: 1, Start: 0x30000, End: 0x30000 + 1999999}},
			Tracks:   []scsi.TrackInformation{track(1, 0, 2000000)}}, 2000000, []sector.Range{span(0, 2000000)}, nil},
		{"capacity far too large, and a lead-out", "cd", facts{Capacity: capacity(300000), Disc: closed,
			TOC:    &scsi.TOC{Tracks: []scsi.TOCTrack{{Number: 1, Control: 4}, {Number: scsi.LeadOutTrack, Address: 200000}}},
			Tracks: []scsi.TrackInformation{track(1, 0, 200000)}}, 200000, []sector.Range{span(0, 200000)}, nil},
		{"capacity and tracks at odds", "dvd", facts{Capacity: capacity(2298496), Disc: closed,
			Tracks: []scsi.TrackInformation{track(1, 0, 2000)}}, 2298496, nil, nil},
		{"capacity beyond any DVD", "dvd", facts{Capacity: capacity(1 << 31), Disc: closed,
			Tracks: []scsi.TrackInformation{track(1, 0, 2000)}}, 2000, []sector.Range{span(0, 2000)}, nil},
	} {
		t.Run(test.name, func(t *testing.T) {
			x, no := test.facts.recorded(test.kind)
			if no != nil {
				t.Fatalf("recorded = %s; want %d sectors", no.what, test.sectors)
			}
			if x.sectors != test.sectors || !reflect.DeepEqual(x.written, test.written) || !reflect.DeepEqual(x.sound, test.sound) {
				t.Errorf("recorded = %+v; want %d sectors, %v, sound %v", x, test.sectors, test.written, test.sound)
			}
		})
	}
}

func TestLayers(t *testing.T) {
	const start = 0x30000
	// Layer 1 of an opposite track has the complements of layer 0's numbers: one of
	// 2,000,000 sectors that breaks after 1,100,000 ends with this number.
	const breaks = start + 1_100_000 - 1
	opposite := scsi.PhysicalFormat{Layers: 2, Opposite: true, Start: start, EndLayer0: breaks, End: (^uint32(breaks))&0xFFFFFF + 900_000 - 1}
	parallel := []scsi.PhysicalFormat{
		{Layers: 2, Start: start, End: start + 1_200_000 - 1}, {Layers: 2, Start: start, End: start + 800_000 - 1}}
	for _, test := range []struct {
		name     string
		kind     string
		physical []scsi.PhysicalFormat
		sectors  int64
		want     []int64
		parallel bool
	}{
		{"CD", "cd", nil, 300000, []int64{300000}, false},
		{"DVD that tells nothing", "dvd", nil, 2000000, nil, false},
		{"one layer", "dvd", []scsi.PhysicalFormat{{Layers: 1}}, 2000000, []int64{2000000}, false},
		{"opposite", "dvd", []scsi.PhysicalFormat{opposite}, 2000000, []int64{1100000, 900000}, false},
		{"parallel", "dvd", parallel, 2000000, []int64{1200000, 800000}, true},
		{"parallel, half told", "dvd", parallel[:1], 2000000, nil, true},
		{"opposite, breaking beyond the end", "dvd", []scsi.PhysicalFormat{opposite}, 1000, nil, false},
		{"BD of one layer", "bd", nil, 12219392, []int64{12219392}, false},
		{"BD of more", "bd", nil, 12219393, nil, false},
	} {
		got, par := facts{Physical: test.physical}.layers(test.kind, test.sectors)
		if !reflect.DeepEqual(got, test.want) || par != test.parallel {
			t.Errorf("layers of %s = %v, %v; want %v, %v", test.name, got, par, test.want, test.parallel)
		}
	}
	if n, ok := opposite.Sectors(); n != 2000000 || !ok {
		t.Errorf("the opposite disc has %d sectors, %v; want 2000000", n, ok)
	}
}

// A disc is the same for its identity in every drive that tells it: nothing of it
// depends on what one drive makes up.
func TestIdentity(t *testing.T) {
	toc := &scsi.TOC{Tracks: []scsi.TOCTrack{{Number: 1, Control: 4}, {Number: 2, Address: 12000}, {Number: scsi.LeadOutTrack, Address: 200000}}}
	one := &scsi.DiscInformation{Disc: scsi.Finalized, Sessions: 1}
	pressed := []scsi.PhysicalFormat{{Layers: 1, Embossed: true, Start: 0x30000, End: 0x30000 + 999}}
	shifted := []scsi.PhysicalFormat{{Layers: 1, Embossed: true, Start: 0, End: 999}} // as QEMU counts
	for _, test := range []struct {
		name  string
		kind  string
		facts facts
		want  map[string]string
	}{
		{"CD", "cd", facts{Profile: scsi.CDROM, Disc: one, TOC: toc}, map[string]string{"table of contents": "1 data 0, 2 sound 12000, end 200000"}},
		{"CD of two sessions", "cd", facts{Profile: scsi.CDR, Disc: &scsi.DiscInformation{Disc: scsi.Finalized, Sessions: 2}, TOC: toc}, nil},
		{"CD never closed", "cd", facts{Profile: scsi.CDR, Disc: &scsi.DiscInformation{Disc: scsi.Appendable, Sessions: 1}, TOC: toc}, nil},
		{"pressed DVD", "dvd", facts{Profile: scsi.DVDROM, Disc: one, Physical: pressed}, map[string]string{"physical format": "1000 sectors, one layer"}},
		{"the same in another drive", "dvd", facts{Profile: scsi.DVDROM, Physical: shifted}, map[string]string{"physical format": "1000 sectors, one layer"}},
		{"the same table of contents, made up", "dvd", facts{Profile: scsi.DVDPlusR, Disc: one, TOC: toc}, nil},
		{"recorded DVD that calls itself ROM", "dvd", facts{Profile: scsi.DVDROM, Physical: []scsi.PhysicalFormat{{Layers: 1, Recordable: true, End: 999}}}, nil},
		{"DVD-R", "dvd", facts{Profile: scsi.DVDRSeq, Unique: "0001", Maker: scsi.Maker{ID: "INVENTED01"}},
			map[string]string{device.Unique: "0001", "maker": "INVENTED01"}},
	} {
		if got := test.facts.identity(test.kind); !reflect.DeepEqual(got, test.want) {
			t.Errorf("identity of %s = %v; want %v", test.name, got, test.want)
		}
	}
	for _, test := range []struct {
		in   []byte
		want string
	}{{nil, ""}, {make([]byte, 16), ""}, {[]byte{0xFF, 0xFF}, ""}, {[]byte{7, 7, 7}, ""}, {[]byte{0, 1, 2, 0, 0}, "000102"}} {
		if got := peculiar(test.in); got != test.want {
			t.Errorf("peculiar(% X) = %q; want %q", test.in, got, test.want)
		}
	}
}

// A Video CD: a track of files, and two of pictures in sectors of form 2.
func TestFormTwo(t *testing.T) {
	c := cannedCD(30000)
	c.disc.DiscType, c.disc.LastLast = 0x20, 3
	c.tracks, c.toc.Tracks = nil, nil
	for i, start := range []uint32{0, 1000, 15000} {
		n := uint8(i + 1)
		c.tracks = append(c.tracks, scsi.TrackInformation{Track: uint16(n), Session: 1, TrackMode: 4, DataMode: 2, Start: start, Size: []uint32{1000, 14000, 15000}[i]})
		c.toc.Tracks = append(c.toc.Tracks, scsi.TOCTrack{Control: 4, Number: n, Address: start})
	}
	c.answer[scsi.OpReadCD] = []byte{1, 1, 0x62, 0, 1, 1, 0x62, 0} // subheader, bit 5 of the submode
	d := c.mustOpen(t)
	if want := []sector.Range{sector.Span(0, 1000)}; !reflect.DeepEqual(d.info.Written, want) {
		t.Errorf("written %v; want %v", d.info.Written, want)
	}
	if want := []sector.Range{sector.Span(1000, 14000), sector.Span(15000, 15000)}; !reflect.DeepEqual(d.info.FormTwo, want) {
		t.Errorf("form 2 %v; want %v", d.info.FormTwo, want)
	}
	if len(d.info.Notes) != 1 || !contains(d.info.Notes[0], "Tracks 2, 3", "2,324 bytes", "kept beside the image") {
		t.Errorf("notes %q; want what becomes of them", d.info.Notes)
	}
	for _, cmd := range c.log {
		if r, err := scsi.Parse(cmd.CDB()); err == nil {
			if r, ok := r.(scsi.ReadCD); ok && (r.Main != scsi.Subheader || r.LBA == 0) {
				t.Errorf("%v; want no data, and nothing of the first track", cmd)
			}
		}
	}
	c.answer[scsi.OpReadCD] = []byte{1, 1, 0x08, 0, 1, 1, 0x08, 0}
	if d := c.mustOpen(t); len(d.info.Notes) != 0 || len(d.info.Written) != 1 || d.info.Written[0].Count() != 30000 {
		t.Errorf("form 1 in all tracks: written %v, notes %q; want all of it", d.info.Written, d.info.Notes)
	}
}

// Sessions begin with the first track of data of each that has something recorded.
func TestSessions(t *testing.T) {
	track := func(n, session uint16, start, size uint32) scsi.TrackInformation {
		return scsi.TrackInformation{Track: n, Session: session, TrackMode: 4, DataMode: 1, Start: start, Size: size}
	}
	sound := track(1, 1, 0, 30000)
	sound.TrackMode = 0
	blank := track(4, 3, 160000, 1000)
	blank.Blank = true
	for _, c := range []struct {
		name   string
		kind   string
		tracks []scsi.TrackInformation
		want   []sector.LBA
	}{
		{"one", "dvd", []scsi.TrackInformation{track(1, 1, 0, 2000)}, []sector.LBA{0}},
		{"tracks of one session", "cd", []scsi.TrackInformation{track(1, 1, 0, 2000), track(2, 1, 2150, 2000)}, []sector.LBA{0}},
		{"two, and one that is blank", "dvd", []scsi.TrackInformation{track(1, 1, 0, 2000), track(2, 2, 120000, 500), blank}, []sector.LBA{0, 120000}},
		{"sound first", "cd", []scsi.TrackInformation{sound, track(2, 2, 41400, 500)}, []sector.LBA{41400}},
		{"beyond the disc", "dvd", []scsi.TrackInformation{track(1, 1, 0, 2000), track(2, 2, 3_000_000, 500)}, []sector.LBA{0}},
		{"nothing told", "dvd", nil, nil},
	} {
		d := facts{Disc: &scsi.DiscInformation{Disc: scsi.Finalized}, Tracks: c.tracks}
		if got := d.sessions(c.kind, 200_000); !reflect.DeepEqual(got, c.want) {
			t.Errorf("%s: sessions() = %v; want %v", c.name, got, c.want)
		}
	}
}
