package mapfile

import (
	"encoding/binary"
	"encoding/json"
	"fmt"
	"hash/crc32"
	"maps"
	"slices"
)

// The version of the form that this program writes. A newer major version
// can't be read; a newer minor one can, and is then not written to, so that what
// this program does not know of is not lost.
const (
	major = 1
	minor = 10
)

// The buckets of the file.
const (
	headBucket     = "turnstone map"
	recordBucket   = "records"
	stateBucket    = "states"
	runBucket      = "runs"
	conflictBucket = "conflicts"
	eventBucket    = "events"
)

// headKey is the one key of headBucket.
const headKey = "head"

// sealBytes is the length of the checksum behind each value.
const sealBytes = 4

// bucketSum is how the checksums of a bucket's values begin: CRC-32C of its name
// and a slash.
func bucketSum(bucket string) uint32 { return crc32.Checksum([]byte(bucket+"/"), castagnoli) }

// seal is the checksum behind a value: CRC-32C of the bucket's name, a slash, the
// key and the body, which binds the body to its place. It is given the
// bucketSum.
func seal(bucket uint32, key, body []byte) uint32 {
	return crc32.Update(crc32.Update(bucket, castagnoli, key), castagnoli, body)
}

// unseal is the body of a value and its checksum; not ok where the two do not
// belong together, or the body not to the key.
func unseal(bucket uint32, key, value []byte) (body []byte, sum uint32, ok bool) {
	n := len(value) - sealBytes
	if n < 0 {
		return nil, 0, false
	}
	body, sum = value[:n], binary.LittleEndian.Uint32(value[n:])
	return body, sum, seal(bucket, key, body) == sum
}

// head is the value that the rest of the file is held against.
type head struct {
	Major     int    `json:"major"`
	Minor     int    `json:"minor"`
	Case      string `json:"case"`
	Commits   int64  `json:"commits"`
	Length    int64  `json:"length"`       // of the file when the last commit began, in bytes
	Values    int64  `json:"values"`       // all but the head
	Seals     uint64 `json:"seals,string"` // sum of their checksums, modulo 2^64
	Sectors   int64  `json:"sectors"`
	Written   int64  `json:"written"`
	Good      int64  `json:"good"` // of the written area
	Bad       int64  `json:"bad"`
	Rounds    int    `json:"rounds"`
	Drives    int    `json:"drives"`
	Passes    int    `json:"passes"`
	Conflicts int64  `json:"conflicts"` // other data, decided or not
}

// counts fills in what the map in memory tells.
func (h *head) counts(m *Map) {
	h.Case = m.caseID
	h.Sectors, h.Written, h.Good, h.Bad = m.states.sectors, m.states.area, m.states.good, m.states.bad
	h.Rounds, h.Drives, h.Passes = len(m.rounds), len(m.drives), len(m.passes)
	h.Conflicts = 0
	for _, list := range m.conflicts {
		h.Conflicts += int64(len(list))
	}
}

// discRecord is the disc as it stands in the file.
type discRecord struct {
	Kind         string            `json:"kind"`
	Sectors      int64             `json:"sectors"`
	BlockSectors int64             `json:"block_sectors"`
	Written      [][2]int64        `json:"written"` // first sector and number of sectors
	Sessions     []int64           `json:"sessions,omitempty"`
	Layers       []int64           `json:"layers,omitempty"`
	Parallel     bool              `json:"parallel,omitempty"`
	Identity     map[string]string `json:"identity,omitempty"`
	Seen         *Seen             `json:"seen,omitempty"`
	Held         *Held             `json:"held,omitempty"`
}

func recordOf(d Disc) discRecord {
	return discRecord{d.Kind, d.Sectors, d.BlockSectors, pairsOf(d.Written), d.Sessions, d.Layers, d.Parallel, d.Identity, d.Seen, d.Held}
}

// disc is the disc that the record tells of.
func (r discRecord) disc() (Disc, error) {
	d := Disc{Kind: r.Kind, Sectors: r.Sectors, BlockSectors: r.BlockSectors, Sessions: r.Sessions, Layers: r.Layers, Parallel: r.Parallel,
		Identity: maps.Clone(r.Identity), Seen: r.Seen, Held: r.Held}
	if r.Sectors < 0 || r.Sectors > maxSectors || r.BlockSectors < 0 {
		return Disc{}, fmt.Errorf("disc of %d sectors in blocks of %d", r.Sectors, r.BlockSectors)
	}
	if !slices.IsSorted(d.Sessions) || len(d.Sessions) > 0 && (d.Sessions[0] < 0 || d.Sessions[len(d.Sessions)-1] >= r.Sectors) {
		return Disc{}, fmt.Errorf("sessions at %v of a disc of %d sectors", d.Sessions, r.Sectors)
	}
	var err error
	if d.Written, err = setOf(r.Written, r.Sectors); err != nil {
		return Disc{}, fmt.Errorf("written area: %w", err)
	}
	return d, nil
}

// Keys. Numbers in them are big-endian, so that the order of keys is that of
// places; those of records are decimal, for people.

const discKey, wantedKey, closingKey, watchedKey = "disc", "wanted", "closing", "watched"

func recordKey(kind string, n int) []byte { return fmt.Appendf(nil, "%s %05d", kind, n) }

func pageKey(n uint32) []byte { return binary.BigEndian.AppendUint32(nil, n) }

func (k runKey) bytes() []byte {
	return binary.BigEndian.AppendUint32(binary.BigEndian.AppendUint16(nil, k.pass), k.page)
}

// decodeJSON reads a JSON value. Fields that are not known are passed over.
func decodeJSON[T any](body []byte) (T, error) {
	var v T
	err := json.Unmarshal(body, &v)
	return v, err
}
