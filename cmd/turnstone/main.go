// Command turnstone images a damaged optical disc in the sittings that the repair
// of its surface allows. See README.md; turnstone --help lists the commands.
package main

import (
	"fmt"
	"io"
	"os"

	"turnstone/device/blockdev"
	"turnstone/device/child"
	"turnstone/device/optical"
)

// openers open drives, in the child.
var openers = map[string]child.Opener{blockdev.Opener: blockdev.Serve, optical.Opener: optical.Serve}

func main() {
	// A drive is read in a child process of this program.
	child.Main(openers)
	os.Exit(run(os.Args[1:], streams{os.Stdin, os.Stdout, os.Stderr}))
}

// streams are where a command reads and writes: facts go to Out, progress and
// complaints to Err.
type streams struct {
	In  io.Reader
	Out io.Writer
	Err io.Writer
}

// run runs the command line and returns its exit code.
func run(args []string, s streams) int {
	if len(args) == 0 || args[0] == "--help" || args[0] == "-h" || args[0] == "help" && len(args) == 1 {
		fmt.Fprint(s.Out, overview())
		return exitDone
	}
	if args[0] == "help" {
		args = []string{args[1], "--help"}
	}
	for _, c := range commands {
		if c.name != args[0] {
			continue
		}
		err := c.execute(args[1:], s)
		return report(err, s)
	}
	return report(usagef("there is no command %q; turnstone --help lists them", args[0]), s)
}
