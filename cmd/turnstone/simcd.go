package main

import (
	"errors"
	"hash/fnv"
	"strconv"
	"syscall"
	"time"

	"turnstone/device"
	"turnstone/device/optical"
	"turnstone/device/scsi"
	"turnstone/device/sector"
	"turnstone/device/sim"
	"turnstone/device/sim/unit"
)

// A simulated CD is read through the drive's commands, as a real one is: what a CD
// gives beyond its sectors of 2,048 bytes only commands bring.

// simBench is what a simulated drive hangs on: the way to it, and the machine.
type simBench struct {
	*unit.Unit
	disc *sim.Disc
	node string
	seq  uint64
}

// openSimulatedCD puts a scenario's CD into one of its drives.
func openSimulatedCD(disc *sim.Disc, node, drive string, round, pass int) (device.Reader, error) {
	fail := func(err error) (device.Reader, error) { return nil, errors.Join(err, disc.Close()) }
	u, err := unit.New(disc.Scenario(), drive, node, unit.Usual())
	if err != nil {
		return fail(err)
	}
	m := unit.Compact(disc, round)
	m.Pass = uint32(pass)
	if err := u.Insert(m); err != nil {
		return fail(err)
	}
	h := fnv.New64a()
	h.Write([]byte(node + strconv.Itoa(round)))
	b := &simBench{Unit: u, disc: disc, node: node, seq: h.Sum64() | 1}
	b.settle()
	r, err := optical.OpenNear(b, b, optical.Options{Node: node, Stall: time.Minute})
	if err != nil {
		return fail(err)
	}
	return simCD{r}, nil
}

// simCD is such a drive.
type simCD struct{ *optical.Near }

// Info is the drive's, with the name of its maker in full: INQUIRY has room for eight
// letters.
func (d simCD) Info() device.Info {
	i := d.Near.Info()
	i.Vendor = sim.Vendor
	return i
}

// settle is what the kernel does when a disc was put in: it waits until the drive is
// ready, and takes what it has to tell.
func (b *simBench) settle() {
	for range 20 {
		if b.Unit.Do(scsi.TestUnitReady{}.Command().CDB(), nil, 0).Status == scsi.Good {
			break
		}
		b.Unit.Wait(time.Second)
	}
	c := scsi.GetEventStatus{Polled: true, Classes: scsi.MediaClass, Alloc: scsi.MediaEventLen}.Command()
	b.Unit.Do(c.CDB(), make([]byte, scsi.MediaEventLen), 0)
}

// Do implements optical.Transport.
func (b *simBench) Do(c scsi.Command, data []byte, timeout time.Duration) (optical.Result, error) {
	if b.Gone() != "" {
		return optical.Result{}, syscall.ENODEV
	}
	a := b.Unit.Do(c.CDB(), data, timeout)
	switch a.Fate {
	case unit.Unplugged:
		return optical.Result{Host: optical.HostNoConnect, Residual: len(data)}, nil
	case unit.Unheard:
		return optical.Result{Host: optical.HostTimeOut, Residual: len(data)}, nil
	}
	return optical.Result{Status: a.Status, Sense: a.Sense, Residual: a.Residual}, nil
}

// Close implements optical.Transport.
func (b *simBench) Close() error { return b.disc.Close() }

// Limit implements optical.Host: what USB takes.
func (b *simBench) Limit() int { return 60 * sector.Size }

// Gone implements optical.Host.
func (b *simBench) Gone() string {
	if b.Node() != b.node {
		return "removed"
	}
	return ""
}

// Sequence implements optical.Host.
func (b *simBench) Sequence() (uint64, bool) { return b.seq, true }
