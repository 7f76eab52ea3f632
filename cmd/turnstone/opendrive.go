package main

import (
	"context"
	"errors"
	"os"
	"slices"
	"time"

	"turnstone/device"
	"turnstone/device/blockdev"
	"turnstone/device/optical"
)

// opening is a drive that is to be opened.
type opening struct {
	node  string        // device node, image file or simulated drive; "": the only one there is
	kind  string        // of the disc, where the user says it
	stall time.Duration // how long it may take for one request

	assume int64  // sectors of a disc that an optical drive does not recognise; 0: refused
	mains  string // command that switches an optical drive off and on; "": there is none

	// Of a simulated drive: the round whose surface its disc has, and how many passes
	// were read before.
	round, passes int
}

// openDrive opens the drive that is named, or the only one there is. Where it holds no
// disc and somebody sits at the terminal, it waits for one.
func openDrive(ctx context.Context, o opening, s streams) (device.Reader, error) {
	if o.node == "" {
		found, err := blockNodes()
		if err != nil {
			return nil, err
		}
		found = slices.DeleteFunc(found, func(n string) bool { return !device.OpticalNode(n) })
		if o.node, err = only(found, func(n string) bool { return look(ctx, n).Ready }); err != nil {
			return nil, err
		}
	}
	r, err := openNode(ctx, o)
	if in, ok := s.In.(*os.File); !ok || !isTerminal(in) || !device.OpticalNode(o.node) {
		return r, err
	}
	for asked := false; noDisc(err); r, err = openNode(ctx, o) {
		if !asked {
			tell(s.Err, "%v. Put it in, dry and free of dust; the reading begins by itself. Ctrl-C leaves.\n", err)
			asked = true
		}
		select {
		case <-ctx.Done():
			return nil, ctx.Err()
		case <-time.After(trayLook):
		}
	}
	return r, err
}

// trayLook is how often is looked whether a disc was put in.
const trayLook = 2 * time.Second

func noDisc(err error) bool {
	open, ok := errors.AsType[*device.OpenError](err)
	return ok && open.NoDisc
}

// openNode opens a drive by its name.
func openNode(ctx context.Context, o opening) (device.Reader, error) {
	isOptical := device.OpticalNode(o.node)
	switch {
	case o.assume > 0 && !isOptical:
		return nil, usagef("--assume-sectors is for a disc that an optical drive does not recognise; %s says how large it is", o.node)
	case o.mains != "" && !isOptical:
		return nil, usagef("--mains-switch: %s is no optical drive", o.node)
	case isOptical:
		d, err := optical.Open(ctx, optical.Options{Node: o.node, Kind: o.kind, Stall: o.stall, AssumeSectors: o.assume})
		switch {
		case err != nil:
			return nil, err
		case o.mains != "":
			return &switchedDrive{d, o.mains}, nil
		}
		return d, nil
	case !isSimulated(o.node):
		return blockdev.Open(ctx, blockdev.Options{Node: o.node, Kind: o.kind, Stall: o.stall})
	case o.kind != "":
		return nil, usagef("--kind %s: %s says itself what its disc is", o.kind, o.node)
	}
	return openSimulated(o.node, o.round, o.passes)
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

func joinOr(words []string) string { return joinWords(words, "or") }

// joinWords lists words, with another one in front of the last.
func joinWords(words []string, last string) string {
	s := words[0]
	for i, w := range words[1:] {
		if i == len(words)-2 {
			s += " " + last + " " + w
		} else {
			s += ", " + w
		}
	}
	return s
}
