package scsi

import "fmt"

// Inquiry asks who the drive is: standard INQUIRY data (see [InquiryData]), or
// with EVPD a page of vital product data (see [ParseVPD]).
type Inquiry struct {
	EVPD  bool
	Page  uint8 // of vital product data
	Alloc uint16
}

// Pages of vital product data (SPC).
const (
	VPDSerial      = 0x80 // unit serial number
	VPDDesignators = 0x83 // device identification
)

// InquiryLen is the length of standard INQUIRY data that every drive has.
const InquiryLen = 36

// TypeCDDVD is the peripheral device type of all optical drives (SPC).
const TypeCDDVD = 5

func (r Inquiry) Command() Command {
	c := build(OpInquiry, FromUnit, int64(r.Alloc))
	c.cdb[1], c.cdb[2] = flag(r.EVPD, 0), r.Page
	be.PutUint16(c.cdb[3:], r.Alloc)
	return c
}

func decodeInquiry(c []byte) Request {
	return Inquiry{EVPD: has(c[1], 0), Page: c[2], Alloc: be.Uint16(c[3:])}
}

// InquiryData is standard INQUIRY data, the first 36 bytes.
type InquiryData struct {
	Qualifier uint8 // 0 to 7; 0: the unit is there
	Type      uint8 // 0 to 31; 5 is an optical drive
	Removable bool  // RMB: its medium can be taken out
	Version   uint8 // of SPC; 0: none claimed
	Format    uint8 // byte 3; bits 3 to 0 are 2 in our time
	Flags     [3]byte
	// Flags are bytes 5 to 7, none of which matters to reading.
	Vendor   string // 8 characters, no spaces around
	Product  string // 16
	Revision string // of its firmware, 4
}

// ParseInquiry reads standard INQUIRY data. What was not sent is empty; the
// additional length is not believed where it is smaller than what came, since
// drives send 0 there. ErrShort is returned below 5 bytes, ErrTruncated with what
// came when there is more, and less than 36 came.
func ParseInquiry(b []byte) (InquiryData, error) {
	if err := enough("inquiry data", b, 5); err != nil {
		return InquiryData{}, err
	}
	_, err := claimed("inquiry data", b, 5, min(5+int64(b[4]), InquiryLen))
	var full [InquiryLen]byte
	copy(full[:], b)
	return InquiryData{
		Qualifier: full[0] >> 5, Type: full[0] & 31, Removable: has(full[1], 7),
		Version: full[2], Format: full[3], Flags: [3]byte(full[5:]),
		Vendor: text(full[8:16]), Product: text(full[16:32]), Revision: text(full[32:]),
	}, err
}

// Append appends the 36 bytes.
func (d InquiryData) Append(b []byte) []byte {
	b, h := grow(b, InquiryLen)
	h[0] = d.Qualifier<<5 | d.Type&31
	h[1] = flag(d.Removable, 7)
	h[2], h[3], h[4] = d.Version, d.Format, InquiryLen-5
	copy(h[5:], d.Flags[:])
	putText(h[8:16], d.Vendor)
	putText(h[16:32], d.Product)
	putText(h[32:], d.Revision)
	return b
}

// ParseVPD is what is in a page of vital product data, behind its four bytes of
// head; a part of b. ErrShort is returned below 4 bytes, ErrFormat when it is
// another page, as drives send that don't know EVPD, ErrTruncated with what came.
func ParseVPD(b []byte, page uint8) ([]byte, error) {
	if err := enough("vital product data", b, 4); err != nil {
		return nil, err
	}
	if b[1] != page {
		return nil, fmt.Errorf("%w: vital product data page %02Xh; want %02Xh", ErrFormat, b[1], page)
	}
	b, err := claimed("vital product data", b, 4, 4+int64(be.Uint16(b[2:])))
	return b[4:], err
}

// AppendVPD appends a page of vital product data of an optical drive; of data no
// more than 65,535 bytes.
func AppendVPD(b []byte, page uint8, data []byte) []byte {
	data = data[:min(len(data), 0xFFFF)]
	b = append(b, TypeCDDVD, page)
	return append(be.AppendUint16(b, uint16(len(data))), data...)
}

// ParseSerial is the serial number in page 80h; "" where the drive has none. Its
// errors are those of ParseVPD.
func ParseSerial(b []byte) (string, error) {
	data, err := ParseVPD(b, VPDSerial)
	return text(data), err
}

// Designator is one name of a drive, of page 83h.
type Designator struct {
	Code        uint8 // 1 binary, 2 ASCII, 3 UTF-8
	Association uint8 // 0 the unit, 1 its port, 2 its device
	Kind        uint8 // 0 vendor specific, 1 T10 vendor, 2 EUI-64, 3 NAA, …
	ID          []byte
}

// ParseDesignators reads page 83h. Its errors are those of ParseVPD; also
// ErrTruncated when a designator reaches beyond the page.
func ParseDesignators(b []byte) ([]Designator, error) {
	data, err := ParseVPD(b, VPDDesignators)
	var list []Designator
	for len(data) >= 4 {
		d, cut := claimed("designator", data, 4, 4+int64(data[3]))
		if cut != nil {
			return list, cut
		}
		list = append(list, Designator{Code: d[0] & 15, Association: d[1] >> 4 & 3, Kind: d[1] & 15, ID: append([]byte(nil), d[4:]...)})
		data = data[len(d):]
	}
	return list, err
}

// AppendDesignators appends page 83h; of an ID no more than 255 bytes.
func AppendDesignators(b []byte, list []Designator) []byte {
	var data []byte
	for _, d := range list {
		id := d.ID[:min(len(d.ID), 255)]
		if len(data)+4+len(id) > 0xFFFF {
			break
		}
		data = append(data, d.Code&15, d.Association&3<<4|d.Kind&15, 0, byte(len(id)))
		data = append(data, id...)
	}
	return AppendVPD(b, VPDDesignators, data)
}
