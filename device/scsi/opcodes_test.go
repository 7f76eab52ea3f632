package scsi

import (
	"errors"
	"fmt"
	"go/ast"
	"go/parser"
	"go/token"
	"os"
	"os/exec"
	"path/filepath"
	"reflect"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
)

// allowed is every operation code that this package may have: asking, reading,
// moving head and tray, and settings that a reset undoes.
var allowed = []byte{
	0x00, 0x03, 0x12, 0x1B, 0x1E, // TEST UNIT READY, REQUEST SENSE, INQUIRY, START STOP UNIT, PREVENT ALLOW
	0x25, 0x28, 0x2B, 0x43, 0x46, 0x4A, // READ CAPACITY, READ(10), SEEK(10), READ TOC, GET CONFIGURATION, GET EVENT STATUS
	0x51, 0x52, 0x55, 0x5A, // READ DISC INFORMATION, READ TRACK INFORMATION, MODE SELECT(10), MODE SENSE(10)
	0xA8, 0xAC, 0xAD, 0xB6, 0xBB, 0xBD, 0xBE, // READ(12), GET PERFORMANCE, READ DISC STRUCTURE, SET STREAMING, SET CD SPEED, MECHANISM STATUS, READ CD
}

// forbidden are operation codes of SPC, SBC and MMC that write, erase, format,
// close, finalise, change firmware, save, reserve, or deal with keys; names as in
// linux/cdrom.h, or in scsi/scsi.h where it has none.
var forbidden = map[byte]string{
	0x04: "FORMAT UNIT", 0x07: "REASSIGN BLOCKS", 0x0A: "WRITE(6)", 0x10: "WRITE FILEMARKS", 0x15: "MODE SELECT(6)",
	0x18: "COPY", 0x19: "ERASE(6)", 0x1D: "SEND DIAGNOSTIC", 0x2A: "WRITE(10)", 0x2C: "ERASE(10)", 0x2E: "WRITE AND VERIFY(10)",
	0x35: "SYNCHRONIZE CACHE", 0x39: "COMPARE", 0x3A: "COPY AND VERIFY", 0x3B: "WRITE BUFFER", 0x3D: "UPDATE BLOCK",
	0x3F: "WRITE LONG", 0x41: "WRITE SAME", 0x4C: "LOG SELECT", 0x53: "RESERVE TRACK", 0x54: "SEND OPC INFORMATION",
	0x58: "REPAIR TRACK", 0x5B: "CLOSE TRACK SESSION", 0x5D: "SEND CUE SHEET", 0x8A: "WRITE(16)", 0xA1: "BLANK",
	0xA2: "SEND EVENT", 0xA3: "SEND KEY", 0xA4: "REPORT KEY", 0xAA: "WRITE(12)", 0xAE: "WRITE AND VERIFY(12)",
	0xBF: "SEND DISC STRUCTURE",
}

// source is the package's own, without tests.
func source(t *testing.T) (files []*ast.File) {
	t.Helper()
	names, err := filepath.Glob("*.go")
	if err != nil {
		t.Fatal(err)
	}
	for _, name := range names {
		if strings.HasSuffix(name, "_test.go") {
			continue
		}
		f, err := parser.ParseFile(token.NewFileSet(), name, nil, 0)
		if err != nil {
			t.Fatal(err)
		}
		files = append(files, f)
	}
	return files
}

// The operation codes in the source are the allowed ones, each once.
func TestNoOpcodeWrites(t *testing.T) {
	var got []byte
	for _, f := range source(t) {
		for _, d := range f.Decls {
			g, ok := d.(*ast.GenDecl)
			if !ok || g.Tok != token.CONST {
				continue
			}
			for _, s := range g.Specs {
				v := s.(*ast.ValueSpec)
				if id, ok := v.Type.(*ast.Ident); !ok || id.Name != "Op" {
					continue
				}
				n, err := strconv.ParseUint(v.Values[0].(*ast.BasicLit).Value, 0, 8)
				if err != nil || len(v.Names) != 1 || !strings.HasPrefix(v.Names[0].Name, "Op") {
					t.Fatalf("operation code %v: %v; want one name and one literal", v.Names, err)
				}
				got = append(got, byte(n))
			}
		}
	}
	if !slices.Equal(got, allowed) {
		t.Errorf("operation codes of the source = % X; want % X", got, allowed)
	}
	for op, name := range forbidden {
		if slices.Contains(got, op) {
			t.Errorf("operation code %02X, %s, is in the source", op, name)
		}
		if r, err := Parse(append([]byte{op}, make([]byte, 9)...)); !errors.Is(err, ErrOpcode) {
			t.Errorf("Parse of %s = %v, %v; want %v", name, r, err, ErrOpcode)
		}
	}
	if len(commands) != len(allowed) {
		t.Errorf("%d commands; want %d", len(commands), len(allowed))
	}
}

// Every block begins in build, with a constant of type Op; nothing else makes a
// Command, or sets byte 0.
func TestEveryBlockBeginsWithAnAllowedOpcode(t *testing.T) {
	blocks, literals, firsts := 0, 0, 0
	for _, f := range source(t) {
		ast.Inspect(f, func(n ast.Node) bool {
			switch n := n.(type) {
			case *ast.CallExpr:
				id, ok := n.Fun.(*ast.Ident)
				if !ok || id.Name != "build" {
					break
				}
				blocks++
				if op, ok := n.Args[0].(*ast.Ident); !ok || !strings.HasPrefix(op.Name, "Op") {
					t.Errorf("build is called with %v; want a constant Op…", n.Args[0])
				}
			case *ast.CompositeLit:
				if id, ok := n.Type.(*ast.Ident); ok && id.Name == "Command" {
					literals++
				}
			case *ast.AssignStmt:
				for _, l := range n.Lhs {
					x, ok := l.(*ast.IndexExpr)
					if !ok {
						continue
					}
					sel, ok := x.X.(*ast.SelectorExpr)
					if lit, isLit := x.Index.(*ast.BasicLit); ok && sel.Sel.Name == "cdb" && (!isLit || lit.Value == "0") {
						firsts++
					}
				}
			}
			return true
		})
	}
	if blocks != len(allowed) || literals != 1 || firsts != 1 {
		t.Errorf("source has %d calls of build, %d literals of Command, %d settings of byte 0; want %d, 1, 1", blocks, literals, firsts, len(allowed))
	}
	for _, s := range samples {
		if b := s.request.Command().CDB()[0]; !slices.Contains(allowed, b) {
			t.Errorf("%T begins with %02X, which is not allowed", s.request, b)
		}
	}
	if b := (Command{}).CDB(); len(b) != 6 || b[0] != 0 {
		t.Errorf("zero Command = % X; want TEST UNIT READY", b)
	}
}

// The types with a method Command are those in samples, so that no test misses one.
func TestSamplesHaveEveryRequest(t *testing.T) {
	var types []string
	for _, f := range source(t) {
		for _, d := range f.Decls {
			if fn, ok := d.(*ast.FuncDecl); ok && fn.Name.Name == "Command" && fn.Recv != nil {
				types = append(types, fmt.Sprint(fn.Recv.List[0].Type))
			}
		}
	}
	for _, s := range samples {
		name := reflect.TypeOf(s.request).Name()
		types = slices.DeleteFunc(types, func(t string) bool { return t == name })
	}
	// StreamRange makes its SET STREAMING.
	if !slices.Equal(types, []string{"StreamRange"}) {
		t.Errorf("requests without a sample: %v; want StreamRange alone", types)
	}
	if op := (StreamRange{}).Command().Op(); op != OpSetStreaming {
		t.Errorf("StreamRange.Command() = %v; want SET STREAMING", op)
	}
}

// MODE SELECT never saves: byte 1 is PF alone, whatever its list.
func TestModeSelectNeverSaves(t *testing.T) {
	for n := range 0x10000 {
		if b := (ModeSelect10{Length: uint16(n)}).Command().CDB()[1]; b != 0x10 {
			t.Fatalf("byte 1 of MODE SELECT of %d bytes = %02X; want 10, PF and no SP", n, b)
		}
	}
	if r, err := Parse(fromHex(t, "55110000000000000C00")); err == nil {
		t.Errorf("Parse of MODE SELECT with SP = %v; want an error", r)
	}
}

// linux/cdrom.h has a name for each code (linux-libc-dev).
func TestOpcodesAreTheKernels(t *testing.T) {
	header := kernelHeader(t, "linux/cdrom.h")
	codes := map[byte][]string{}
	for _, m := range regexp.MustCompile(`#define\s+GPCMD_(\w+)\s+0x([0-9a-f]{2})\b`).FindAllStringSubmatch(header, -1) {
		n, _ := strconv.ParseUint(m[2], 16, 8)
		codes[byte(n)] = append(codes[byte(n)], m[1])
	}
	want := map[Op]string{
		OpTestUnitReady: "TEST_UNIT_READY", OpRequestSense: "REQUEST_SENSE", OpInquiry: "INQUIRY",
		OpStartStopUnit: "START_STOP_UNIT", OpPreventAllow: "PREVENT_ALLOW_MEDIUM_REMOVAL",
		OpReadCapacity: "READ_CDVD_CAPACITY", OpRead10: "READ_10", OpSeek10: "SEEK", OpReadTOC: "READ_TOC_PMA_ATIP",
		OpGetConfiguration: "GET_CONFIGURATION", OpGetEventStatus: "GET_EVENT_STATUS_NOTIFICATION",
		OpReadDiscInformation: "READ_DISC_INFO", OpReadTrackInformation: "READ_TRACK_RZONE_INFO",
		OpModeSelect10: "MODE_SELECT_10", OpModeSense10: "MODE_SENSE_10", OpRead12: "READ_12",
		OpGetPerformance: "GET_PERFORMANCE", OpReadDiscStructure: "READ_DVD_STRUCTURE", OpSetStreaming: "SET_STREAMING",
		OpSetCDSpeed: "SET_SPEED", OpMechanismStatus: "MECHANISM_STATUS", OpReadCD: "READ_CD",
	}
	for _, b := range allowed {
		if name := want[Op(b)]; !slices.Contains(codes[b], name) {
			t.Errorf("linux/cdrom.h calls %02X %v; want %s", b, codes[b], name)
		}
	}
}

// kernelHeader is the text of a header, as the compiler's default path has it.
func kernelHeader(t *testing.T, name string) string {
	t.Helper()
	b, err := os.ReadFile("/usr/include/" + name)
	if err != nil {
		missing(t, "no %s (linux-libc-dev): %v", name, err)
	}
	return string(b)
}

// tool is the path of a program that may be missing.
func tool(t *testing.T, name, pkg string) string {
	t.Helper()
	path, err := exec.LookPath(name)
	if err != nil {
		missing(t, "no %s (%s): %v", name, pkg, err)
	}
	return path
}

// missing skips the test on a user's machine, and fails it where all must be there.
func missing(t *testing.T, format string, args ...any) {
	t.Helper()
	if os.Getenv("CI") == "true" {
		t.Fatalf(format, args...)
	}
	t.Skipf(format, args...)
}
