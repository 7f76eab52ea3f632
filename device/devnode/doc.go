// Package devnode is what Linux tells of a drive's device node beside the drive's
// sectors: whether this user may open it and what would help, who has it to itself,
// what sysfs says of the drive behind it, and the few numbers that the kernel gives
// for an opened one. Packages that read drives share it; nothing of a disc is read or
// changed here.
//
//	/dev/sr0 ── Open, Error          in words: permission, mounts, no disc
//	   │ device number
//	   ▼
//	/sys/dev/block/11:0 ── Dir       vendor, model, serial, state, USB port, sg node
//	   │ descriptor
//	   ▼
//	ioctl ── Size, LogicalSector, DiskSequence
package devnode
