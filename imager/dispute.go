package imager

import (
	"fmt"

	"turnstone/device/sector"
	"turnstone/mapfile"
)

// Dispute is a conflict as it can be told: two readings of a good sector.
type Dispute struct {
	At    sector.LBA `json:"at"`
	Kept  Side       `json:"kept"`  // what the image has
	Other Side       `json:"other"` // what is kept beside it
}

// Side is one reading of a sector in conflict.
type Side struct {
	Sum  string `json:"crc32c"` // 8 hexadecimal digits
	Pass int    `json:"pass"`   // the first that brought it
	By   string `json:"by"`     // its drive, or where it came from
}

// Disputes is what is in conflict, in order of address, with both sides.
func Disputes(m *mapfile.Map) []Dispute {
	all := []Dispute{}
	passes, drives := m.Passes(), m.Drives()
	side := func(sum uint32, pass int) Side {
		return Side{fmt.Sprintf("%08x", sum), pass, passBy(passes[pass], drives)}
	}
	for _, c := range m.Conflicts() {
		all = append(all, Dispute{c.At, side(c.Kept, c.KeptPass), side(c.Other, c.OtherPass)})
	}
	return all
}
