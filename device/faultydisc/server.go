package faultydisc

import (
	"encoding/json"
	"fmt"
	"net"
	"net/rpc"
	"os"
	"strconv"
	"sync/atomic"
	"syscall"
	"time"

	"github.com/hanwen/go-fuse/v2/fuse"

	"turnstone/device/sector"
)

// serverName is the name, argument 0, under which a binary is started once more
// to be the server of a disc. No file is called so.
const serverName = "faultydisc: server"

// What the server inherits.
const (
	fuseFD    = 3 + iota // the kernel's end of the FUSE connection, mounted
	socketFD             // commands and reports
	backingFD            // the backing file, where there is one
)

// order is what the server is told at its start, as JSON in argument 1.
type order struct {
	Sectors int64
	Seed    uint64
	Backing bool
}

// mainWasCalled tells that this process would know itself as a server if it were
// started again, so that Start can say what is missing instead of running a whole
// test binary once more.
var mainWasCalled atomic.Bool

// Main has to be called by every program that starts a disc, before anything
// else; tests call it in TestMain. It returns at once, but in a process that Start
// made: there it serves the disc and exits.
func Main() {
	if os.Args[0] != serverName {
		mainWasCalled.Store(true)
		return
	}
	if err := serve(os.Args[1:]); err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
	os.Exit(0)
}

// serve answers the kernel until the other end of the socket is closed, which it
// is at the latest when the process that made this one ends.
func serve(args []string) error {
	var o order
	if len(args) != 1 || json.Unmarshal([]byte(args[0]), &o) != nil || o.Sectors < 1 || o.Sectors > maxSectors {
		return fmt.Errorf("the server was started by hand: %q", args)
	}
	c := content{seed: o.Seed}
	if o.Backing {
		c.backing = os.NewFile(backingFD, "backing")
	}
	syscall.CloseOnExec(socketFD)
	socket := os.NewFile(socketFD, "socket")
	conn, err := net.FileConn(socket)
	if err != nil {
		return fmt.Errorf("control socket: %w", err)
	}
	socket.Close()

	s := newScript(c, o.Sectors)
	commands := rpc.NewServer()
	if err := commands.RegisterName("Disc", &control{s}); err != nil {
		return fmt.Errorf("control socket: %w", err)
	}
	server, err := fuse.NewServer(&fileSystem{fuse.NewDefaultRawFileSystem(), s}, "/dev/fd/"+strconv.Itoa(fuseFD), &fuse.MountOptions{
		// Requests wait for as long as the script says; below this number they
		// don't keep others from coming.
		MaxBackground: 1 << 14,
		MaxWrite:      maxRead,
		DisableXAttrs: true,
		// Without it the loop device's worker waits for each answer before it
		// asks for more, and one read that hangs stops all others.
		ExtraCapabilities: fuse.CAP_ASYNC_DIO,
	})
	if err != nil {
		return fmt.Errorf("fuse: %w", err)
	}
	go server.Serve()
	commands.ServeConn(conn)
	return nil
}

// maxRead is the longest FUSE request, in bytes: as long as the kernel allows
// (256 pages).
const maxRead = 1 << 20

// control is the script as the other process reaches it.
type control struct{ script *script }

// Do carries out one command.
func (c *control) Do(command Command, report *Report) (err error) {
	*report, err = c.script.do(command)
	return err
}

// fileSystem is the FUSE file system with its one file.
type fileSystem struct {
	fuse.RawFileSystem
	script *script
}

// The file's name and node number; the root is node 1.
const (
	fileName = "disc"
	fileNode = 2
)

// forever is how long the kernel may remember what it was told.
const forever = 24 * 365 * time.Hour

// attr describes the root or the file.
func (fs *fileSystem) attr(node uint64, out *fuse.Attr) fuse.Status {
	switch node {
	case fuse.FUSE_ROOT_ID:
		*out = fuse.Attr{Ino: node, Mode: syscall.S_IFDIR | 0o500, Nlink: 2}
	case fileNode:
		size := uint64(fs.script.sectors * sector.Size)
		*out = fuse.Attr{Ino: node, Mode: syscall.S_IFREG | 0o400, Nlink: 1, Size: size, Blocks: size / 512, Blksize: sector.Size}
	default:
		return fuse.ENOENT
	}
	return fuse.OK
}

// Lookup finds the file.
func (fs *fileSystem) Lookup(_ <-chan struct{}, in *fuse.InHeader, name string, out *fuse.EntryOut) fuse.Status {
	if in.NodeId != fuse.FUSE_ROOT_ID || name != fileName {
		return fuse.ENOENT
	}
	out.NodeId = fileNode
	out.SetEntryTimeout(forever)
	out.SetAttrTimeout(forever)
	return fs.attr(fileNode, &out.Attr)
}

// GetAttr describes the root and the file.
func (fs *fileSystem) GetAttr(_ <-chan struct{}, in *fuse.GetAttrIn, out *fuse.AttrOut) fuse.Status {
	out.SetTimeout(forever)
	return fs.attr(in.NodeId, &out.Attr)
}

// Open lets the file be read past the page cache.
func (fs *fileSystem) Open(_ <-chan struct{}, in *fuse.OpenIn, out *fuse.OpenOut) fuse.Status {
	if in.NodeId != fileNode {
		return fuse.ENOENT
	}
	out.OpenFlags = fuse.FOPEN_DIRECT_IO
	return fuse.OK
}

// Read is a request of the loop device. Each call has a goroutine of its own.
func (fs *fileSystem) Read(_ <-chan struct{}, in *fuse.ReadIn, buf []byte) (fuse.ReadResult, fuse.Status) {
	first, n := int64(in.Offset)/sector.Size, int64(in.Size)/sector.Size
	r := sector.Span(sector.LBA(first), n).Intersect(sector.Range{End: sector.LBA(fs.script.sectors)})
	if in.Offset%sector.Size != 0 || in.Size%sector.Size != 0 || r.Bytes() > int64(len(buf)) {
		return nil, fuse.EINVAL // the loop device, of 2048 byte sectors, asks so never
	}
	if r.Empty() {
		return fuse.ReadResultData(nil), fuse.OK
	}
	buf = buf[:r.Bytes()]
	if errno := fs.script.answer(r, buf); errno != 0 {
		return nil, fuse.Status(errno)
	}
	return fuse.ReadResultData(buf), fuse.OK
}
