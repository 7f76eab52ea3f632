// Package blockdev reads any Linux block device, and image files, by the sector.
//
// Block devices are always read with O_DIRECT: past the page cache, which reads
// whole pages and ahead, so that good sectors fail beside a bad one, and asks
// again for what failed. Files are read so where their file system tells what
// alignment that takes (statx, STATX_DIOALIGN), else through the cache with its
// read-ahead switched off.
//
// The kernel names no failing sector. A request of several sectors that fails
// says only that one of them did; what comes in front of it is lost as well. (An
// optical drive is better spoken to in its own commands.)
//
// A device with logical sectors above 2048 bytes is asked for whole ones: a
// request that does not begin and end with one of them is widened to the next.
//
// # Exclusive or not
//
// A device that is mounted or otherwise in exclusive use is refused: what reads
// it beside us moves the drive's head about and may hang with it. This is found
// out by an exclusive open (O_EXCL) that is given up at once. The reading itself
// is not exclusive: the child of an earlier run may still hang in a read, nothing
// ends it, and it must not keep the next run, or a Reopen, from the drive.
package blockdev

import (
	"context"
	"encoding/json"
	"fmt"
	"path/filepath"
	"time"

	"turnstone/device"
	"turnstone/device/child"
)

// Opener is the name under which Serve has to stand in the table that child.Main
// is given.
const Opener = "block"

// Options say what is to be opened.
type Options struct {
	Node string // a block device's node or a file's path

	// Kind is what the disc is, where the user knows: "cd", "dvd" or "bd"; else
	// "", and it is treated as one of blocks of 16 sectors that come singly.
	Kind string

	Stall     time.Duration                                      // see child.Config
	AfterFunc func(d time.Duration, f func()) (stop func() bool) // see child.Config
}

// Open opens a device or file in a child process. The error is a
// *device.OpenError where it can't be used.
func Open(ctx context.Context, o Options) (*child.Reader, error) {
	if _, _, ok := device.Block(o.Kind); !ok {
		return nil, fmt.Errorf("block device: kind %q; want cd, dvd or bd", o.Kind)
	}
	// The child works in another folder. A symbolic link stays one: its name is
	// what the user knows the drive by.
	node, err := filepath.Abs(o.Node)
	if err != nil {
		return nil, err
	}
	s, err := json.Marshal(spec{Node: node, Kind: o.Kind})
	if err != nil {
		return nil, err
	}
	return child.Start(ctx, child.Config{Opener: Opener, Spec: s, Drive: node, Stall: o.Stall, AfterFunc: o.AfterFunc})
}

// spec is what the child is told.
type spec struct{ Node, Kind string }

// maxSectors bounds one request: 512 KiB. The way to the child and back costs some
// 50 µs of processor time a request. Measured on a loop device over the page cache,
// on 2 cores with other work beside, a pass into a case came to 0.84 of the speed of
// a copy that overlaps reading and writing in one process by 256 KiB, to 1.1 by 512
// KiB, and to 1.2 by 1 MiB, which the kernel splits at places that vary. It is a
// multiple of every kind's block.
const maxSectors = 256

// opticalSectors bounds one of an optical drive: 256 KiB. The kernel makes several
// commands of a large request, 120 KiB each on USB. Where all is bad each of them
// fails in its own time, and the answer comes after the last. A drive of 22 MB/s
// takes 12 ms for so much; its speed does not depend on it.
const opticalSectors = 128

// depth is how many requests may wait: while the child reads one, the next is
// there already.
const depth = 2

// Serve is the child's side: the child.Opener of block devices and files.
func Serve(b []byte) (child.Backend, device.Info, error) {
	var s spec
	if err := json.Unmarshal(b, &s); err != nil {
		return nil, device.Info{}, fmt.Errorf("block device: %w", err)
	}
	block, whole, ok := device.Block(s.Kind)
	if !ok {
		return nil, device.Info{}, fmt.Errorf("block device: kind %q", s.Kind)
	}
	d, err := open(s.Node)
	if err != nil {
		return nil, device.Info{}, err
	}
	info := d.info
	info.Kind = s.Kind
	if s.Kind == "" {
		info.Kind = device.Unknown
	}
	info.BlockSectors, info.WholeBlocks = block, whole
	info.MaxSectors, info.Depth = d.largest(), depth
	return d, info, nil
}
