package mapfile

import (
	"hash/crc32"

	"turnstone/device/sector"
)

// castagnoli is the polynomial of CRC-32C (RFC 3720, section 12.1).
var castagnoli = crc32.MakeTable(crc32.Castagnoli)

// Sum is the CRC-32C of one sector's data.
func Sum(data []byte) uint32 { return crc32.Checksum(data, castagnoli) }

// AppendSums appends to dst the CRC-32C of each whole sector in data.
func AppendSums(dst []uint32, data []byte) []uint32 {
	for ; len(data) >= sector.Size; data = data[sector.Size:] {
		dst = append(dst, Sum(data[:sector.Size]))
	}
	return dst
}
