package unit

import (
	"reflect"
	"testing"

	"turnstone/device/scsi"
	"turnstone/device/sector"
)

func TestWhatIsToldOfADisc(t *testing.T) {
	const n = 4800
	mixed := Recorded(clean(t), scsi.CDROM, scsi.Finalized, 1600, 3200)
	mixed.Tracks[1].Kind = Sound
	mixed.Tracks[1].Session = 1
	for _, test := range []struct {
		name     string
		m        *Medium
		disc     scsi.DiscInformation
		tracks   []scsi.TrackInformation
		capacity uint32
		toc      []uint8 // numbers of the tracks
		out      uint32  // lead-out
	}{
		{"pressed", Pressed(clean(t), 0),
			scsi.DiscInformation{Disc: scsi.Finalized, LastSession: scsi.CompleteSession, FirstTrack: 1, Sessions: 1, LastFirst: 1, LastLast: 1, Unrestrict: true},
			[]scsi.TrackInformation{{Track: 1, Session: 1, TrackMode: 4, DataMode: 1, Size: n, LastRecordedValid: true, LastRecorded: n - 1}},
			n - 1, []uint8{1, 0xAA}, n},
		{"two sessions and open", Recorded(clean(t), scsi.DVDRSeq, scsi.Appendable, 1600, 800),
			scsi.DiscInformation{Disc: scsi.Appendable, LastSession: scsi.EmptySession, FirstTrack: 1, Sessions: 3, LastFirst: 3, LastLast: 3, Unrestrict: true},
			[]scsi.TrackInformation{
				{Track: 1, Session: 1, TrackMode: 4, DataMode: 1, Size: 1600, LastRecordedValid: true, LastRecorded: 1599},
				{Track: 2, Session: 2, TrackMode: 4, DataMode: 1, Start: 1600, Size: 800, LastRecordedValid: true, LastRecorded: 2399},
				{Track: 3, Session: 3, TrackMode: 4, DataMode: 1, Start: 2400, Size: 2400, Blank: true, NextWritableValid: true, NextWritable: 2400, Free: 2400}},
			2399, []uint8{1, 2, 0xAA}, 2400},
		{"blank", Recorded(clean(t), scsi.DVDPlusRW, scsi.Blank),
			scsi.DiscInformation{Erasable: true, Disc: scsi.Blank, LastSession: scsi.EmptySession, FirstTrack: 1, Sessions: 1, LastFirst: 1, LastLast: 1, Unrestrict: true},
			[]scsi.TrackInformation{{Track: 1, Session: 1, TrackMode: 4, DataMode: 1, Size: n, Blank: true, NextWritableValid: true, Free: n}},
			0, nil, 0},
		{"data and sound", mixed,
			scsi.DiscInformation{Disc: scsi.Finalized, LastSession: scsi.CompleteSession, FirstTrack: 1, Sessions: 1, LastFirst: 1, LastLast: 2, Unrestrict: true},
			[]scsi.TrackInformation{
				{Track: 1, Session: 1, TrackMode: 4, DataMode: 1, Size: 1600, LastRecordedValid: true, LastRecorded: 1599},
				{Track: 2, Session: 1, TrackMode: 0, DataMode: 15, Start: 1600, Size: 3200, LastRecordedValid: true, LastRecorded: 4799}},
			n - 1, []uint8{1, 2, 0xAA}, n},
	} {
		h := loaded(t, test.m, Usual())
		if got := tells(h, scsi.ReadDiscInformation{Alloc: 34}, scsi.ParseDiscInformation); got != test.disc {
			t.Errorf("%s: disc information %+v; want %+v", test.name, got, test.disc)
		}
		for i, want := range test.tracks {
			for _, by := range []scsi.ReadTrackInformation{
				{By: scsi.ByTrack, Number: uint32(i + 1), Alloc: 36}, {By: scsi.ByLBA, Number: want.Start + want.Size - 1, Alloc: 36},
			} {
				if got := tells(h, by, scsi.ParseTrackInformation); got != want {
					t.Errorf("%s: track %d by %d: %+v; want %+v", test.name, i+1, by.By, got, want)
				}
			}
		}
		last := test.tracks[len(test.tracks)-1]
		h.says(scsi.ReadTrackInformation{By: scsi.BySession, Number: uint32(last.Session) + 1, Alloc: 36}, "5/24/00")
		want := "5/24/00"
		if last.Free > 0 {
			want = ""
		}
		h.says(scsi.ReadTrackInformation{By: scsi.ByTrack, Number: scsi.InvisibleTrack, Alloc: 36}, want)
		if got := tells(h, scsi.ReadCapacity{}, scsi.ParseCapacity); got != (scsi.Capacity{Last: test.capacity, BlockLen: 2048}) {
			t.Errorf("%s: capacity %+v; want %d as the last", test.name, got, test.capacity)
		}
		if test.toc == nil {
			h.says(scsi.ReadTOC{Alloc: 1000}, "3/57/00")
			h.says(read10(0, 1), "8/00/00")
			continue
		}
		toc := tells(h, scsi.ReadTOC{Alloc: 1000}, scsi.ParseTOC)
		var numbers []uint8
		for _, e := range toc.Tracks {
			numbers = append(numbers, e.Number)
		}
		if !reflect.DeepEqual(numbers, test.toc) || toc.Tracks[len(numbers)-1].Address != test.out || toc.First != 1 || toc.Last != test.toc[len(test.toc)-2] {
			t.Errorf("%s: table of contents %+v; want tracks %v, the lead-out at %d", test.name, toc, test.toc, test.out)
		}
		msf := tells(h, scsi.ReadTOC{Alloc: 1000, MSF: true, Number: scsi.LeadOutTrack}, scsi.ParseTOC)
		if len(msf.Tracks) != 1 || scsi.AddressMSF(msf.Tracks[0].Address) != scsi.MSFOf(int32(test.out)) {
			t.Errorf("%s: lead-out as MSF %+v; want that of %d", test.name, msf, test.out)
		}
		sessions := tells(h, scsi.ReadTOC{Alloc: 1000, Format: scsi.Sessions}, scsi.ParseSessions)
		if sessions.First != 1 || int(sessions.Last) > int(test.disc.Sessions) || sessions.Last == 0 {
			t.Errorf("%s: sessions %+v; want 1 to those that are recorded", test.name, sessions)
		}
	}
}

// A disc that was not finalised is recorded in part: the rest is no damage. What lies
// in front of it comes.
func TestUnrecordedParts(t *testing.T) {
	h := loaded(t, Recorded(clean(t), scsi.DVDRSeq, scsi.Appendable, 1600, 800), Usual())
	h.says(read10(1590, 20), "") // across the border
	a, b := h.says(read10(2390, 20), "8/00/00")
	lba, ok := h.sense(a).LBA()
	if len(b) != 10*sector.Size || !ok || lba != 2400 {
		t.Errorf("READ 2390+20 of 2400 recorded = %d bytes, fails at %d; want 10 sectors and 2400", len(b), lba)
	}
	closed := loaded(t, Recorded(clean(t), scsi.DVDRSeq, scsi.Finalized, 1600, 800), Usual())
	closed.says(read10(2399, 1), "")
	closed.says(read10(2399, 2), "5/21/00")
}

// Capacities that lie, up and down; reading goes by what is on the disc.
func TestWrongCapacity(t *testing.T) {
	for _, claim := range []scsi.Capacity{{Last: 4799 + 75, BlockLen: 2048}, {Last: 99, BlockLen: 2048}, {Last: 1<<32 - 1, BlockLen: 2352}, {}} {
		m := Pressed(clean(t), 0)
		m.Claims = &claim
		h := loaded(t, m, Usual())
		if got := tells(h, scsi.ReadCapacity{}, scsi.ParseCapacity); got != claim {
			t.Errorf("capacity %+v; want %+v", got, claim)
		}
		h.says(read10(4799, 1), "")
		h.says(read10(4800, 1), "5/21/00")
	}
}

func TestCD(t *testing.T) {
	m := Recorded(clean(t), scsi.CDR, scsi.Finalized, 1600, 1600, 1600)
	m.Tracks[1].Kind, m.Tracks[2].Kind = FormTwo, Sound
	h := loaded(t, m, Usual())
	_, want := h.says(read10(0, 3), "")
	if len(want) != 3*sector.Size {
		t.Fatalf("READ of 3 sectors brings %d bytes", len(want))
	}
	first := append([]byte(nil), want...)
	a := h.raw(scsi.ReadCD{Blocks: 3, Main: scsi.UserData}.Command().CDB(), 3*2352)
	if code(a) != "" || a.Residual != 3*(2352-2048) || string(h.data[:len(first)]) != string(first) {
		t.Errorf("READ CD of user data = %q, residual %d; want what READ brings", code(a), a.Residual)
	}
	h.says(read10(1600, 1), "5/64/00")
	h.says(read10(1599, 2), "5/64/00")
	h.says(read10(3200, 1), "5/64/00")
	for lba, form2 := range map[uint32]bool{0: false, 1600: true} {
		_, b := h.says(scsi.ReadCD{LBA: lba, Blocks: 2, Main: scsi.Subheader}, "")
		if len(b) != 16 || b[2]>>5&1 == 1 != form2 || b[2] != b[6] || b[8+2] != b[2] {
			t.Errorf("subheaders of %d: % X; want form 2 %v, twice", lba, b, form2)
		}
	}
	h.says(scsi.ReadCD{LBA: 3200, Blocks: 1, Main: scsi.UserData}, "5/64/00")
	full := tells(h, scsi.ReadTOC{Format: scsi.FullTOC, Alloc: 1000}, scsi.ParseFullTOC)
	if full.Last != 3 || len(full.Points) != 3*4 || full.Points[2].Point != 0xA2 || full.Points[2].P.LBA() != 1600 || full.Points[7].P.LBA() != 1600 {
		t.Errorf("full table of contents %+v; want 3 sessions of 4 points, the lead-out of the first at 1600", full)
	}
	if full := tells(h, scsi.ReadTOC{Format: scsi.FullTOC, Number: 3, Alloc: 1000}, scsi.ParseFullTOC); len(full.Points) != 4 {
		t.Errorf("full table of contents from session 3 = %+v; want 4 points", full)
	}
	if i := tells(h, scsi.ReadDiscInformation{Alloc: 34}, scsi.ParseDiscInformation); i.DiscType != 0x20 {
		t.Errorf("disc type %02Xh; want 20h", i.DiscType)
	}
	c := tells(h, scsi.GetConfiguration{Alloc: 4096}, scsi.ParseConfiguration)
	if r, ok := c.RandomReadable(); !ok || r.Blocking != 1 {
		t.Errorf("random readable %+v, %v; want blocks of 1", r, ok)
	}
}

func TestConfiguration(t *testing.T) {
	h := loaded(t, Pressed(clean(t), 0), Usual())
	c := tells(h, scsi.GetConfiguration{Alloc: 4096}, scsi.ParseConfiguration)
	s, streams := c.Streaming()
	r, _ := c.RandomReadable()
	if c.Current != scsi.DVDROM || c.Serial() != "A" || !streams || !s.SetCDSpeed || !r.Recovery || r.Blocking != 16 || len(c.Profiles()) != len(reads) {
		t.Errorf("configuration %+v; want a DVD-ROM in drive A", c)
	}
	for _, p := range c.Profiles() {
		if p.Current != (p.Profile == scsi.DVDROM) {
			t.Errorf("profile %v current %v; want the DVD-ROM alone", p.Profile, p.Current)
		}
	}
	if one := tells(h, scsi.GetConfiguration{RT: scsi.OneFeature, Start: scsi.FeatureSerialNumber, Alloc: 4096}, scsi.ParseConfiguration); len(one.Features) != 1 {
		t.Errorf("one feature = %+v; want one", one)
	}
	_, short := h.says(scsi.GetConfiguration{Alloc: 8}, "")
	if len(short) != 8 {
		t.Errorf("GET CONFIGURATION with room for 8 bytes brings %d", len(short))
	}
	h.Remove()
	if c := tells(h, scsi.GetConfiguration{Alloc: 4096}, scsi.ParseConfiguration); c.Current != scsi.NoProfile {
		t.Errorf("profile without a disc %v; want none", c.Current)
	}
	who := tells(h, scsi.Inquiry{Alloc: 36}, scsi.ParseInquiry)
	if who.Type != scsi.TypeCDDVD || !who.Removable || who.Product != product {
		t.Errorf("INQUIRY = %+v; want an optical drive", who)
	}
	_, b := h.says(scsi.Inquiry{EVPD: true, Page: scsi.VPDSerial, Alloc: 252}, "")
	if s, err := scsi.ParseSerial(b); err != nil || s != "A" {
		t.Errorf("serial number %q, %v; want A", s, err)
	}
	m := Usual()
	m.Lacks = []scsi.Op{scsi.OpSetStreaming}
	c = tells(loaded(t, Pressed(clean(t), 0), m), scsi.GetConfiguration{Alloc: 4096}, scsi.ParseConfiguration)
	if _, streams := c.Streaming(); streams {
		t.Error("a drive without SET STREAMING says that it has it")
	}
}

func TestStructures(t *testing.T) {
	maker := scsi.Maker{ID: "INVENTED", Type: "001"}
	opposite := Pressed(clean(t, "LAYERS", `, "layers": 2, "layer0_sectors": 2416`), 0)
	minusR := Recorded(clean(t), scsi.DVDRSeq, scsi.Finalized, 3200)
	minusR.Maker, minusR.Unique = scsi.Maker{ID: "INVENTED01"}, []byte("one of its kind")
	plusR := Recorded(clean(t), scsi.DVDPlusR, scsi.Finalized, 3200)
	plusR.Maker = maker
	for _, test := range []struct {
		name    string
		m       *Medium
		sectors int64
		book    scsi.BookType
		formats []scsi.StructureFormat
	}{
		{"pressed", Pressed(clean(t), 0), 4800, scsi.BookROM, []scsi.StructureFormat{0x00, 0x01, 0x04, 0x10}},
		{"opposite track path", opposite, 4800, scsi.BookROM, []scsi.StructureFormat{0x00, 0x01, 0x04, 0x10}},
		{"-R", minusR, 3200, scsi.BookR, []scsi.StructureFormat{0x00, 0x01, 0x04, 0x0E, 0x0F, 0x10}},
		{"+R", plusR, 3200, scsi.BookPlusR, []scsi.StructureFormat{0x00, 0x01, 0x04, 0x10, 0x11}},
		{"blank", Recorded(clean(t), scsi.DVDPlusRW, scsi.Blank), 4800, scsi.BookPlusRW, []scsi.StructureFormat{0x00, 0x01, 0x04, 0x10, 0x11}},
	} {
		h := loaded(t, test.m, Usual())
		_, b := h.says(scsi.ReadDiscStructure{Format: scsi.StructList, Alloc: 4096}, "")
		s, err := scsi.ParseStructure(b)
		if err != nil {
			t.Fatalf("%s: list of structures: %v", test.name, err)
		}
		var formats []scsi.StructureFormat
		for _, e := range scsi.ParseStructureList(s) {
			formats = append(formats, e.Format)
			if _, b := h.says(scsi.ReadDiscStructure{Format: e.Format, Alloc: 0xFFFF}, ""); len(b) != int(e.Length) || !e.Readable {
				t.Errorf("%s: structure %02Xh has %d bytes; the list says %+v", test.name, e.Format, len(b), e)
			}
		}
		if !reflect.DeepEqual(formats, test.formats) {
			t.Errorf("%s: structures % X; want % X", test.name, formats, test.formats)
		}
		_, b = h.says(scsi.ReadDiscStructure{Alloc: 4096}, "")
		s, _ = scsi.ParseStructure(b)
		p, err := scsi.ParsePhysicalFormat(s)
		if n, ok := p.Sectors(); err != nil || !ok || n != test.sectors || p.Book != test.book || p.Embossed != (test.book == scsi.BookROM) {
			t.Errorf("%s: physical format %+v, %v: %d sectors, %v; want %d, book %d", test.name, p, err, n, ok, test.sectors, test.book)
		}
	}
	h := loaded(t, plusR, Usual())
	_, b := h.says(scsi.ReadDiscStructure{Format: scsi.StructADIP, Alloc: 4096}, "")
	s, _ := scsi.ParseStructure(b)
	if got, err := scsi.ParseADIP(s); err != nil || got != maker {
		t.Errorf("ADIP names %+v, %v; want %+v", got, err, maker)
	}
	bd := Recorded(clean(t), scsi.BDRSeq, scsi.Finalized, 4800)
	bd.Maker = scsi.Maker{ID: "INVENT", Type: "001"}
	h = loaded(t, bd, Usual())
	_, b = h.says(scsi.ReadDiscStructure{Media: scsi.MediaBD, Alloc: 4100}, "")
	s, _ = scsi.ParseStructure(b)
	if got, err := scsi.ParseBDInformation(s); err != nil || got != bd.Maker {
		t.Errorf("BD disc information names %+v, %v; want %+v", got, err, bd.Maker)
	}
}
