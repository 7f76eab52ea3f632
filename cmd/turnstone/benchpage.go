package main

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"net"
	"os"
	"strings"
	"syscall"

	"github.com/spf13/pflag"

	"turnstone/cmd/turnstone/bench"
	"turnstone/imager"
)

var benchCommand = command{
	name:    "bench",
	args:    "[CASE…]",
	summary: "the live page for the bench: shows cases, starts and stops passes",
	about: `
Serves a page that shows cases, and folders of cases, while they are read: for a tablet
or a second screen. It starts and stops passes, opens rounds with large buttons, and
says from across the room what goes on. Without a case it shows those in the current
folder. A pass goes on when the browser closes, and ends in order with this program.

It listens on this machine only. --listen with another address prints a link with a
token, which lets in who has it; the page is not encrypted then: for a trusted network
only.`,
	example: "turnstone bench jobs\nturnstone bench jobs --drive disc.json:A --drive disc.json:B",
	setup:   setupBench,
}

// benchAddress is where the page is served where nothing is said.
const benchAddress = "127.0.0.1:7207"

// benchOptions are the options of bench.
type benchOptions struct {
	listen string
	drives []string
	pace   float64
	mains  string
	by     string
}

func setupBench(f *pflag.FlagSet) action {
	o := benchOptions{}
	f.StringVar(&o.listen, "listen", benchAddress, "`ADDR` to listen at, host:port; off this machine it asks for a token")
	f.StringArrayVar(&o.drives, "drive", nil, "`NODE`, image file or simulated drive to offer instead of the optical drives; several times for several")
	f.Float64Var(&o.pace, "pace", 60, "how many times faster than the clock simulated drives work, `N`; 0: as fast as they can")
	f.StringVar(&o.mains, "mains-switch", "", "`COMMAND` that switches an optical drive off and on, with its node as argument")
	f.StringVar(&o.by, "by", "", "`NAME` of who works at the page, for the record of passes and rounds that it begins")
	return func(args []string, s streams) error {
		if !(o.pace >= 0) {
			return usagef("--pace %g: say 0 or more", o.pace)
		}
		var err error
		if o.by, err = plainText("by", o.by); err != nil {
			return err
		}
		return serveBench(args, o, s)
	}
}

func serveBench(args []string, o benchOptions, s streams) error {
	ctx, stop := untilInterrupted(s.Err)
	defer stop()
	listener, err := listenAt(o.listen)
	if err != nil {
		return err
	}
	defer listener.Close()
	door := bench.Door{Listener: listener}
	at := listener.Addr().(*net.TCPAddr)
	if !at.IP.IsLoopback() {
		door.Token, door.Names = rand.Text(), namesOf(at.IP)
	}
	runs := imager.NewRuns(writer)
	defer runs.End() // whatever ends the page, passes end in order
	page, err := bench.New(ctx, bench.Options{Cases: args, Runs: runs, By: o.by, Epoch: rand.Text()[:8],
		Drives: newBenchDrives(o, s), Speech: pageWords{}, Counsel: pageWords{}, Reports: pageReports{}})
	if errors.Is(err, bench.ErrNothing) {
		return usageError{err.Error()}
	} else if err != nil {
		return err
	}
	tell(s.Out, "%s", linkText(door, at))
	go page.Work(ctx)
	err = page.Serve(ctx, door)
	if errors.Is(context.Cause(ctx), imager.ErrStopped) {
		tell(s.Err, "turnstone: told to stop: every pass of this page ends, and its disc with it\n")
	}
	return err
}

// listenAt listens at host:port.
func listenAt(addr string) (net.Listener, error) {
	if _, _, err := net.SplitHostPort(addr); err != nil {
		return nil, usagef("--listen %q: say host:port, such as %s", addr, benchAddress)
	}
	l, err := net.Listen("tcp", addr)
	switch {
	case errors.Is(err, syscall.EADDRINUSE):
		return nil, fmt.Errorf("%s is in use, perhaps by another turnstone bench; --listen 127.0.0.1:0 takes a free port", addr)
	case errors.Is(err, syscall.EADDRNOTAVAIL):
		return nil, usagef("--listen %s: this machine has no such address", addr)
	case err != nil:
		return nil, usagef("--listen %s: %v", addr, err)
	}
	return l, nil
}

// linkText is where the page is to be found.
func linkText(d bench.Door, at *net.TCPAddr) string {
	if d.Token == "" {
		return fmt.Sprintf("The page: http://%s/\nCtrl-C ends it, and the passes that it runs.\n", at)
	}
	var b strings.Builder
	b.WriteString("The page, for who has this link:\n")
	for _, name := range d.Names {
		fmt.Fprintf(&b, "  http://%s/?token=%s\n", net.JoinHostPort(name, fmt.Sprint(at.Port)), d.Token)
	}
	b.WriteString("It is not encrypted: for a trusted network only.\nCtrl-C ends it, and the passes that it runs.\n")
	return b.String()
}

// namesOf is by which names others reach an address of this machine: itself, or where
// it stands for all of them the addresses of this machine, and its host's name.
func namesOf(ip net.IP) []string {
	if !ip.IsUnspecified() {
		return []string{ip.String()}
	}
	var names []string
	addrs, _ := net.InterfaceAddrs()
	for _, a := range addrs {
		if n, ok := a.(*net.IPNet); ok && !n.IP.IsLoopback() && !n.IP.IsLinkLocalUnicast() {
			names = append(names, n.IP.String())
		}
	}
	if host, err := os.Hostname(); err == nil {
		names = append(names, host, host+".local")
	}
	return append(names, "127.0.0.1", "localhost")
}
