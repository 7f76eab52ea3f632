package scsi

import (
	"bytes"
	"errors"
	"reflect"
	"testing"
)

// Only bits under the mask change; QEMU's drive (hw/scsi/scsi-disk.c) has a page of
// 10 bytes with 80h, 20h, of which AWRE alone may change.
func TestChangeRespectsTheMask(t *testing.T) {
	current := Recovery{Flags: AWRE, ReadRetries: 0x20}.Page()
	mask := Recovery{Flags: AWRE}.Page()
	want := Recovery{Flags: TB | PER, ReadRetries: 1}.Onto(current)
	got, err := current.Change(want, mask).Recovery()
	if wanted := (Recovery{ReadRetries: 0x20}); err != nil || got != wanted {
		t.Errorf("change of % X to % X under % X = %+v, %v; want %+v", current, want, mask, got, err, wanted)
	}
	mask = Recovery{Flags: PER | TB, ReadRetries: 0xFF}.Page()
	got, err = current.Change(want, mask).Recovery()
	if wanted := (Recovery{Flags: AWRE | TB | PER, ReadRetries: 1}); err != nil || got != wanted {
		t.Errorf("change of % X to % X under % X = %+v, %v; want %+v", current, want, mask, got, err, wanted)
	}
	short := ModePage{1, 6, 0, 4, 0, 0, 0, 0} // as before MMC
	got, err = short.Change(Recovery{PER, 9, 9, 9}.Onto(short), mask).Recovery()
	if wanted := (Recovery{Flags: PER, ReadRetries: 9}); err != nil || got != wanted {
		t.Errorf("change of the short page = %+v, %v; want %+v", got, err, wanted)
	}
	saveable := append(ModePage(nil), current...)
	saveable[0] |= 0x80
	_, list, err := SelectMode(saveable)
	if err != nil || list[8] != 1 || !saveable.Equal(current) {
		t.Errorf("SelectMode of a saveable page = % X, %v; want no PS in it", list, err)
	}
	for _, p := range []ModePage{nil, {1}, make(ModePage, 70000)} {
		if _, _, err := SelectMode(p); !errors.Is(err, ErrFormat) {
			t.Errorf("SelectMode of %d bytes = %v; want %v", len(p), err, ErrFormat)
		}
	}
	for f, want := range map[RecoveryFlags]bool{0: false, PER | DTE | AWRE | ARRE: false, TB: true, RC | PER: true, DCR: true} {
		if got := f.InDoubt(); got != want {
			t.Errorf("RecoveryFlags %02X in doubt: %v; want %v", f, got, want)
		}
	}
}

// Mode page 2Ah as libburn (spc.c) and QEMU read it; invented speeds.
func TestCapabilitiesLayout(t *testing.T) {
	for bit, want := range map[byte]Capabilities{
		0x01: {ReadCDR: true}, 0x02: {ReadCDRW: true}, 0x08: {ReadDVDROM: true}, 0x10: {ReadDVDR: true}, 0x20: {ReadDVDRAM: true},
	} {
		p := ModePage(append([]byte{0x2A, 18, bit}, make([]byte, 17)...))
		if got, err := p.Capabilities(); err != nil || got != want {
			t.Errorf("Capabilities of % X = %+v, %v; want %+v", p, got, err, want)
		}
		if made := want.Page(); made[2] != bit {
			t.Errorf("page of %+v = % X; want %02X in byte 2", want, made, bit)
		}
	}
	for bit, want := range map[byte]Capabilities{0x01: {CDDA: true}, 0x02: {Accurate: true}, 0x10: {C2: true}} {
		p := ModePage(append([]byte{0x2A, 14, 0, 0, 0, bit}, make([]byte, 10)...))
		if got, err := p.Capabilities(); err != nil || got != want {
			t.Errorf("Capabilities of % X = %+v, %v; want %+v", p, got, err, want)
		}
	}
	p := ModePage(fromHex(t, "AA12 00 07 80 13 21 00 2B48 0000 0800 15A4 0000 00000000"))
	want := Capabilities{Write: 7, CDDA: true, Accurate: true, C2: true, Loading: 1, Lock: true, MaxRead: 11080, Buffer: 2048, CurrentRead: 5540}
	if got, err := p.Capabilities(); err != nil || got != want {
		t.Errorf("Capabilities of % X = %+v, %v; want %+v", p, got, err, want)
	}
	made := fromHex(t, "2A1E 00 07 00 13 21 00 2B48 0000 0800 15A4"+zeros(16))
	if got := want.Page(); !bytes.Equal(got, made) {
		t.Errorf("page of %+v = % X; want % X", want, got, made)
	}
	if _, err := p[:15].Capabilities(); !errors.Is(err, ErrShort) {
		t.Errorf("Capabilities of 15 bytes = %v; want %v", err, ErrShort)
	}
}

// A page with a sub-page has four bytes of head (SPC); what is cut there is left out.
func TestSubPages(t *testing.T) {
	m, err := ParseModeList(fromHex(t, "0000000000000000 59 02 0003 010203 01 02 24 04"))
	want := []ModePage{{0x59, 2, 0, 3, 1, 2, 3}, {1, 2, 0x24, 4}}
	if err != nil || !reflect.DeepEqual(m.Pages, want) {
		t.Errorf("ParseModeList = %v, %v; want %v", m.Pages, err, want)
	}
	if m, err := ParseModeList(fromHex(t, "0000000000000000 01 00 59 02 00")); err != nil || len(m.Pages) != 1 {
		t.Errorf("ParseModeList with part of a head = %v, %v; want one page", m.Pages, err)
	}
	if _, list, err := SelectMode(make(ModePage, 65527)); err != nil || len(list) != 65535 {
		t.Errorf("SelectMode of 65,527 bytes = %d bytes, %v; want 65,535", len(list), err)
	}
	if _, _, err := SelectMode(make(ModePage, 65528)); !errors.Is(err, ErrFormat) {
		t.Errorf("SelectMode of 65,528 bytes = %v; want %v", err, ErrFormat)
	}
	if _, list, err := SelectMode(ModePage{1, 0}); err != nil || len(list) != 10 {
		t.Errorf("SelectMode of two bytes = % X, %v; want 10 bytes", list, err)
	}
}

func FuzzModePages(f *testing.F) {
	f.Add([]byte(Recovery{PER, 4, 1, 300}.Page()))
	f.Add([]byte(Capabilities{C2: true, MaxRead: 5540}.Page()))
	f.Add([]byte{1, 6, 0, 4, 0, 0, 0, 0})
	f.Fuzz(func(t *testing.T, b []byte) {
		p := ModePage(b)
		if r, err := p.Recovery(); err == nil {
			same := r.Onto(p)
			if !bytes.Equal(same, p) {
				t.Fatalf("% X with its own values = % X", p, same)
			}
			if again, err := r.Page().Recovery(); err != nil || again != r {
				t.Fatalf("page of %+v = %+v, %v", r, again, err)
			}
		}
		if c, err := p.Capabilities(); err == nil {
			if again, err := c.Page().Capabilities(); err != nil || again != c {
				t.Fatalf("page of %+v = %+v, %v", c, again, err)
			}
		}
		if m, list, err := SelectMode(p); err == nil {
			back, err := ParseModeList(list)
			if int(m.Length) != len(list) || len(list) != 8+len(p) || errors.Is(err, ErrShort) {
				t.Fatalf("SelectMode(% X) = %d bytes, % X: %+v, %v", p, m.Length, list, back, err)
			}
		}
		if !p.Equal(p) || len(p.Change(p, p)) != len(p) {
			t.Fatalf("% X is not equal to itself", p)
		}
	})
}
