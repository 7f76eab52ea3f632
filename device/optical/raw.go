package optical

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"

	"turnstone/device"
	"turnstone/device/scsi"
	"turnstone/device/sector"
)

// Raw reading: READ CD brings a CD's sectors as the drive has them before their own
// code, with the C2 pointers where it has such. What comes here proves nothing; whoever
// asked has the codes to prove it by.
//
//	Drive.ReadRaw ── call "read raw", range ──▶ opened.readRaw ── READ CD ──▶
//	              ◀── head as JSON, a line │ sectors │ pointers ──

// callRaw is the call's name.
const callRaw = "read raw"

var _ device.RawReader = (*Drive)(nil)

// rawHead is what is said of raw sectors beside their bytes.
type rawHead struct {
	Sectors int64
	C2      bool
	Mode    uint8
	Err     *device.ReadError `json:",omitempty"`
}

// ReadRaw implements device.RawReader.
func (d *Drive) ReadRaw(ctx context.Context, r sector.Range) (device.Raw, error) {
	return askRaw(r, d.Info().Name(), func(arg []byte) ([]byte, error) {
		b, err := d.current().Call(ctx, callRaw, arg)
		if err != nil && gone(err) {
			err = &device.ReadError{Class: device.Gone, At: -1, Text: err.Error(), Err: err}
		}
		return b, err
	})
}

// askRaw has a call made, and reads what came of it.
func askRaw(r sector.Range, drive string, call func(arg []byte) ([]byte, error)) (device.Raw, error) {
	arg, err := json.Marshal(r)
	if err != nil {
		return device.Raw{}, err
	}
	b, err := call(arg)
	if err != nil {
		if e, ok := err.(*device.ReadError); ok {
			e.Drive, e.Asked = drive, r
		}
		return device.Raw{}, err
	}
	raw, e, err := parseRaw(b)
	if err != nil || e == nil {
		return raw, err
	}
	e.Drive, e.Asked = drive, r
	return raw, e
}

// parseRaw reads an answer.
func parseRaw(b []byte) (device.Raw, *device.ReadError, error) {
	line, rest, ok := bytes.Cut(b, []byte("\n"))
	var h rawHead
	if err := json.Unmarshal(line, &h); err != nil || !ok || h.Sectors < 0 || h.Sectors > device.MostRaw {
		return device.Raw{}, nil, fmt.Errorf("raw sectors came with a head that says nothing: %q", line[:min(len(line), 80)])
	}
	data := int(h.Sectors) * device.RawSize
	want := data
	if h.C2 {
		want += int(h.Sectors) * device.C2Size
	}
	if len(rest) != want {
		return device.Raw{}, nil, fmt.Errorf("%d raw sectors came in %d bytes", h.Sectors, len(rest))
	}
	raw := device.Raw{Data: rest[:data:data], Mode: h.Mode}
	if h.C2 {
		raw.C2 = rest[data:]
	}
	return raw, h.Err, nil
}

// rawManner is what is known of how a drive reads raw.
type rawManner struct {
	asked bool       // whether it has C2 pointers was asked
	c2    bool       // it has
	seen  sector.Set // read raw before: the cache may have it

	lenient bool // the drive was told to give what it can't correct
	strict  bool // it can't be told so
}

// callReadRaw is the child's side of a call.
func (d *opened) callReadRaw(arg []byte) ([]byte, error) {
	var r sector.Range
	if err := json.Unmarshal(arg, &r); err != nil {
		return nil, err
	}
	if d.info.Kind != "cd" {
		return nil, device.ErrUnsupported
	}
	if r.Empty() || r.First < 0 || int64(r.End) > d.info.Sectors || r.Count() > device.MostRaw {
		return nil, fmt.Errorf("raw sectors %v of a disc of %d, at most %d at a time", r, d.info.Sectors, device.MostRaw)
	}
	sectors, c2, e := d.readRaw(r)
	if e != nil && e.Class == device.Refused && e.Sense.ASC == 0x20 {
		return nil, device.ErrUnsupported
	}
	h := rawHead{C2: c2, Mode: d.modeAt(r.First), Err: e}
	each := rawLen(c2)
	h.Sectors = int64(len(sectors) / each)
	out, err := json.Marshal(h)
	if err != nil {
		return nil, err
	}
	out = append(out, '\n')
	for at := 0; at < len(sectors); at += each {
		out = append(out, sectors[at:at+device.RawSize]...)
	}
	if c2 {
		for at := 0; at < len(sectors); at += each {
			out = append(out, sectors[at+device.RawSize:at+each]...)
		}
	}
	return out, nil
}

func rawLen(c2 bool) int {
	if c2 {
		return device.RawSize + device.C2Size
	}
	return device.RawSize
}

// readRaw reads a range raw, each sector followed by its pointers where c2 says so. The
// leading ones that came are returned also with an error.
func (d *opened) readRaw(r sector.Range) (sectors []byte, c2 bool, e *device.ReadError) {
	if !d.raw.lenient {
		if f := d.trust(); f != nil {
			return nil, false, f.readError(r)
		}
	}
	if err := d.lookAgain(); err != nil {
		return nil, false, err
	}
	if err := d.knowC2(); err != nil {
		return nil, false, err.readError(r)
	}
	sectors, e = d.sendRaw(r)
	if why := d.changed(); why != "" {
		return nil, false, &device.ReadError{Class: device.Changed, At: -1, Text: why}
	}
	if e != nil && e.Class == device.Changed {
		sectors = nil
	}
	d.raw.seen.Add(r)
	return sectors, d.raw.c2, e
}

// sendRaw sends READ CD, again where the drive did not perform it.
func (d *opened) sendRaw(r sector.Range) ([]byte, *device.ReadError) {
	var last *fault
	for range mostTries {
		if d.raw.seen.Overlaps(r) || d.failed.Overlaps(r) {
			// READ CD has no bit to pass the cache by.
			if f := d.leave(r); f != nil {
				return nil, f.readError(r)
			}
		}
		c := scsi.ReadCD{Expect: scsi.AnySector, LBA: uint32(r.First), Blocks: uint32(r.Count()), Main: scsi.WholeSector}
		if d.raw.c2 {
			c.C2 = scsi.C2Flags
		}
		each := rawLen(d.raw.c2)
		room := make([]byte, int(r.Count())*each)
		d.stamp.putRaw(room, each)
		came, f := d.send(c.Command(), room)
		last = f
		whole := room[:came/each*each]
		switch {
		case f == nil || f.is(scsi.Recovered):
			n := d.stamp.goneRaw(whole, each)
			if n == r.Count() {
				return room, nil
			}
			short := &fault{lost: device.Doubtful, text: fmt.Sprintf("%d of %d raw sectors came, and no reason for the rest", n, r.Count())}
			return room[:int(n)*each], short.readError(r)
		case f.is(scsi.Changed), f.is(scsi.Reset), f.is(scsi.NotReady):
			if err := d.settle(f); err != nil {
				return nil, err
			}
		case f.says(scsi.IllegalRequest, 0x24) && d.raw.c2:
			d.raw.c2 = false // it says that it has pointers, and does not give them
		case f.is(scsi.Medium) && d.beLenient():
		default:
			n := int64(0)
			if lba, ok := f.sense.LBA(); f.lost == 0 && ok && r.Contains(sector.LBA(lba)) {
				n = lba - int64(r.First)
				if d.raw.lenient && f.is(scsi.Medium) {
					n++ // under TB the failing one is sent too
				}
				n = min(n, d.stamp.goneRaw(whole, each))
			}
			if n == r.Count() {
				return room, nil
			}
			return room[:int(n)*each], f.readError(r)
		}
	}
	return nil, last.readError(r)
}

// beLenient tells the drive, where it lets itself be told, to give sectors that it can't
// correct, and not to correct them: flags TB and DCR of mode page 01h, without which some
// drives give nothing raw of such a sector. Whatever comes so proves itself or is not
// taken; and before the next READ the flags are taken back (trust). It returns whether
// the drive is more lenient now than it was.
func (d *opened) beLenient() bool {
	if d.raw.lenient || d.raw.strict || !d.own.Writable {
		return false
	}
	d.raw.strict = true
	page, f := d.page(scsi.CurrentValues)
	if f != nil {
		return false
	}
	mask, err := d.own.Mask.Recovery()
	rec, err2 := page.Recovery()
	if err != nil || err2 != nil || mask.Flags&(scsi.TB|scsi.DCR) == 0 {
		return false
	}
	d.trusted = false // from now on, whatever becomes of it
	for _, flags := range []scsi.RecoveryFlags{scsi.TB | scsi.DCR, scsi.TB, scsi.DCR} {
		if flags&^mask.Flags != 0 {
			continue
		}
		with := rec
		with.Flags |= flags
		now, f := d.selectPage(page.Change(with.Onto(page), d.own.Mask))
		if lost(f) {
			return false
		}
		if got, err := now.Recovery(); f == nil && err == nil && got.Flags&flags == flags {
			d.raw.lenient, d.raw.strict = true, false
			return true
		}
	}
	return false
}

// knowC2 finds out, once, whether the drive says that READ CD brings C2 pointers: by
// its feature, else by its page of capabilities.
func (d *opened) knowC2() *fault {
	if d.raw.asked {
		return nil
	}
	c, f := d.configuration()
	if lost(f) {
		return f
	}
	if feature, ok := c.CDRead(); ok {
		d.raw.c2 = feature.C2
	}
	if !d.raw.c2 {
		p, f := d.modePage(scsi.PageCapabilities, scsi.CurrentValues)
		if lost(f) {
			return f
		}
		if caps, err := p.Capabilities(); f == nil && err == nil {
			d.raw.c2 = caps.C2
		}
	}
	d.raw.asked = true
	return nil
}

// modeAt is the mode of the track that a sector lies in; 0 where it is not known.
func (d *opened) modeAt(a sector.LBA) uint8 {
	for _, t := range d.facts.Tracks {
		if extentOf(t).Contains(a) && (t.DataMode == 1 || t.DataMode == 2) {
			return t.DataMode
		}
	}
	return 0
}

// putRaw stamps raw sectors, at the start of each and at the end of its main part.
func (s stamp) putRaw(b []byte, each int) {
	for ; len(b) >= each; b = b[each:] {
		copy(b, s[:])
		copy(b[device.RawSize-len(s):device.RawSize], s[:])
	}
}

// goneRaw is how many leading raw sectors have lost the stamp.
func (s stamp) goneRaw(b []byte, each int) (n int64) {
	for ; len(b) >= each; b = b[each:] {
		if bytes.Equal(b[:len(s)], s[:]) && bytes.Equal(b[device.RawSize-len(s):device.RawSize], s[:]) {
			return n
		}
		n++
	}
	return n
}
