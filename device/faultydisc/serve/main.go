// Command serve puts a faulty disc into a loop device, for trying programs on it
// by hand. Its help says how.
package main

import (
	"bufio"
	"errors"
	"flag"
	"fmt"
	"io"
	"os"
	"strings"

	"turnstone/device/faultydisc"
)

const help = `serve puts a faulty disc into a loop device, for trying programs on it.

  serve -sectors N [-seed N] [-fail FAULT] [-delay FAULT] [-hang FAULT]
  serve -backing FILE        [-fail FAULT] [-delay FAULT] [-hang FAULT]

It needs root, FUSE (/dev/fuse) and a free loop device (/dev/loop-control). The
first line that it prints is the device's node. Then it takes commands on
standard input, one a line, until quit, the end of the input or Ctrl-C. The
device is read-only and ends with serve: reads that still wait get an error
then, and nothing stays behind.

Options:
  -sectors N      a disc of N sectors of 2048 bytes, no two of them alike; each
                  begins with a line of text that tells its number
  -seed N         other bytes in all of them (0 if not given)
  -backing FILE   a disc that holds the bytes of FILE, an image of whole sectors
  -fail, -delay, -hang FAULT
                  the command of that name, carried out before the device is
                  announced; FAULT is what follows the command's name; each may
                  be given several times

Commands:
  fail SECTORS [ERRNO] [TIMES]
                  reads of these sectors fail with EIO, or with ERRNO; each
                  sector the first TIMES times that it is read, or always.
                  ERRNO is ENODATA (what a bad sector of a real disc gives),
                  EIO, ETIMEDOUT, ENODEV, EREMOTEIO, EILSEQ or EAGAIN
  delay SECTORS TIME [TIMES]
                  reads of these sectors take at least TIME (500ms, 20s, 2m)
  hang SECTORS    reads of these sectors wait, unkillable, until release or heal
  release         ends all hangs; reads that wait are answered
  gone            the drive is unplugged: ENODEV for everything, until heal
  abort           the connection breaks for good: EIO for everything
  heal            ends all faults
  counts          how often each sector was asked for since the start or reset
  log             each request since then, with its answer
  reset           empties counts and log
  await [N]       is answered once N reads wait at a time (1 if not given)
  help, quit

SECTORS is first-last (both included), first+count, or one number. Each command
is answered by a line "done: ..." or by "no: ..." with the reason.

Only programs that read with O_DIRECT see faults and counts as given here.
Others read through the kernel's page cache, which asks for more, and again.

Example:
  # serve -sectors 100000 -fail 5000+16 -fail '7000 ENODATA 2'
  /dev/loop0
  hang 9000
  done: hang 9000+1

and in another terminal:
  # dd if=/dev/loop0 of=part iflag=direct bs=32k count=100

Exit status: 0; 1 if there is no disc to be had, or a command got a "no"; 2 for
options that make no sense.
`

func main() {
	faultydisc.Main()
	os.Exit(run(os.Args[1:], os.Stdin, os.Stdout, os.Stderr))
}

// run is main with its surroundings given.
func run(args []string, in io.Reader, out, complaints io.Writer) int {
	options, faults, err := parse(args)
	if errors.Is(err, flag.ErrHelp) {
		fmt.Fprint(out, help)
		return 0
	}
	if err != nil {
		fmt.Fprintf(complaints, "serve: %v\nserve -help says what can be asked for\n", err)
		return 2
	}
	drive, err := faultydisc.Start(options)
	if err != nil {
		fmt.Fprintf(complaints, "serve: %v\n", err)
		return 1
	}
	defer drive.Close()
	for _, c := range faults {
		if _, err := drive.Do(c); err != nil {
			fmt.Fprintf(complaints, "serve: %v: %v\n", c, err)
			return 2
		}
	}
	fmt.Fprintln(out, drive.Node())
	return converse(drive, in, out)
}

// parse reads the options.
func parse(args []string) (o faultydisc.Options, faults []faultydisc.Command, err error) {
	flags := flag.NewFlagSet("serve", flag.ContinueOnError)
	flags.SetOutput(io.Discard)
	flags.Int64Var(&o.Sectors, "sectors", 0, "")
	flags.Uint64Var(&o.Seed, "seed", 0, "")
	flags.StringVar(&o.Backing, "backing", "", "")
	for _, verb := range []faultydisc.Verb{faultydisc.Fail, faultydisc.Delay, faultydisc.Hang} {
		flags.Func(string(verb), "", func(s string) error {
			c, err := faultydisc.ParseCommand(string(verb) + " " + s)
			faults = append(faults, c)
			return err
		})
	}
	if err := flags.Parse(args); err != nil {
		return o, nil, err
	}
	switch {
	case flags.NArg() > 0:
		return o, nil, fmt.Errorf("%q is no option", flags.Arg(0))
	case o.Backing == "" && o.Sectors == 0:
		return o, nil, errors.New("-sectors or -backing says what disc is wanted")
	case o.Backing != "" && (o.Sectors != 0 || o.Seed != 0):
		return o, nil, errors.New("with -backing the file gives sectors and bytes: no -sectors, no -seed")
	}
	return o, faults, nil
}

// converse carries out commands until quit or the end of the input.
func converse(drive *faultydisc.Drive, in io.Reader, out io.Writer) (status int) {
	lines := bufio.NewScanner(in)
	for lines.Scan() {
		switch line := strings.TrimSpace(lines.Text()); line {
		case "":
		case "quit":
			fmt.Fprintln(out, "done: quit")
			return status
		case "help":
			fmt.Fprint(out, help)
			fmt.Fprintln(out, "done: help")
		default:
			c, err := faultydisc.ParseCommand(line)
			var report faultydisc.Report
			if err == nil {
				report, err = drive.Do(c)
			}
			if err != nil {
				fmt.Fprintf(out, "no: %v\n", err)
				status = 1
				continue
			}
			show(out, report)
			fmt.Fprintf(out, "done: %v\n", c)
		}
	}
	return status
}

// show prints what a command has asked for.
func show(out io.Writer, report faultydisc.Report) {
	for r, count := range report.Counts.Runs() {
		fmt.Fprintf(out, "%v: %s\n", r, times(count))
	}
	for _, req := range report.Requests {
		fmt.Fprintln(out, req)
	}
}

// times is a count in words.
func times(n uint32) string {
	switch n {
	case 0:
		return "never"
	case 1:
		return "once"
	case 2:
		return "twice"
	}
	return fmt.Sprintf("%d times", n)
}
