package imager_test

import (
	"os"
	"testing"

	"turnstone/device/blockdev"
	"turnstone/device/child"
	"turnstone/device/faultydisc"
)

// TestMain is also the main of the processes that tests start of this binary:
// the faulty disc's server and the child that reads a drive.
func TestMain(m *testing.M) {
	faultydisc.Main()
	child.Main(map[string]child.Opener{blockdev.Opener: blockdev.Serve})
	os.Exit(m.Run())
}
