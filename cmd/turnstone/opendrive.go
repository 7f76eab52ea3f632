package main

import (
	"context"
	"errors"
	"slices"
	"time"

	"turnstone/device"
	"turnstone/device/blockdev"
)

// openDrive opens the drive that the options name, or the only one there is. The
// disc in a simulated drive has the surface of the round, of which so many passes
// were read before.
func openDrive(ctx context.Context, o readOptions, round, passes int) (device.Reader, error) {
	node := o.drive
	if node == "" {
		found, err := blockNodes()
		if err != nil {
			return nil, err
		}
		found = slices.DeleteFunc(found, func(n string) bool { return !device.OpticalNode(n) })
		if node, err = only(found, func(n string) bool { return look(ctx, n).Ready }); err != nil {
			return nil, err
		}
	}
	return openNode(ctx, node, o.kind, o.stall, round, passes)
}

// openNode opens a drive by its name: a device's node, an image file, or a
// simulated drive.
func openNode(ctx context.Context, node, kind string, stall time.Duration, round, passes int) (device.Reader, error) {
	if !isSimulated(node) {
		return blockdev.Open(ctx, blockdev.Options{Node: node, Kind: kind, Stall: stall})
	}
	if kind != "" {
		return nil, usagef("--kind %s: %s says itself what its disc is", kind, node)
	}
	return openSimulated(node, round, passes)
}

// only is the drive that needs no naming: the only one there is, or the only one
// of several that is ready, with a disc in it.
func only(drives []string, ready func(node string) bool) (string, error) {
	switch len(drives) {
	case 0:
		return "", errors.New("no optical drive found; name a drive or an image file with --drive")
	case 1:
		return drives[0], nil
	}
	loaded := slices.DeleteFunc(slices.Clone(drives), func(n string) bool { return !ready(n) })
	switch len(loaded) {
	case 0:
		return "", &device.OpenError{Node: joinOr(drives), NoDisc: true, What: "no disc that can be read lies in any of them",
			Cure: "Put the disc in, wait until the drive has come to rest, and try again; turnstone drives says more."}
	case 1:
		return loaded[0], nil
	}
	return "", usagef("which drive? --drive %s", joinOr(loaded))
}

func joinOr(words []string) string {
	s := words[0]
	for i, w := range words[1:] {
		if i == len(words)-2 {
			s += " or " + w
		} else {
			s += ", " + w
		}
	}
	return s
}
