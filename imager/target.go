package imager

import (
	"fmt"
	"syscall"
)

// Free space below which a pass is told that it may not end well: what the map
// and status.json can come to, in bytes.
const roomForMap = 64 << 20

// Types of file systems by their magic numbers (linux/magic.h; fuse, smb2 and
// cifs from the kernel's fs/fuse/inode.c and fs/smb/client/cifsfs.h).
var farFileSystems = map[int64]string{
	0x6969:     "NFS",
	0x517b:     "SMB",
	0xff534d42: "SMB",
	0xfe534d42: "SMB",
	0x65735546: "FUSE",
}

const magicFAT, magicExFAT = 0x4d44, 0x2011bab0

// TargetWarnings says what may go wrong with a case in dir, a folder that
// exists, when need more bytes are to be written: one sentence each.
func TargetWarnings(dir string, need int64) []string {
	var st syscall.Statfs_t
	if err := syscall.Statfs(dir, &st); err != nil {
		return nil
	}
	var out []string
	// The field is signed or not, by platform; the low 32 bits are the magic.
	magic := int64(uint32(st.Type))
	if name, far := farFileSystems[magic]; far {
		out = append(out, fmt.Sprintf("%s is on %s: a sync there may promise more than it holds, "+
			"and locks may not reach other machines; a local disk is safer", dir, name))
	}
	if magic == magicFAT || magic == magicExFAT {
		out = append(out, fmt.Sprintf("%s is on FAT, which knows no sparse files: the image takes its whole size at once", dir))
	}
	if free := int64(st.Bavail) * st.Bsize; need > 0 && free < need+roomForMap {
		may := "will"
		if free >= need {
			may = "may" // the map needs room too, and nobody knows how much
		}
		out = append(out, fmt.Sprintf("%s has %d MB free and %d MB are missing: the pass %s stop when it is full; "+
			"what came until then stays", dir, free/1e6, need/1e6, may))
	}
	return out
}
