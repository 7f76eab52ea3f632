package main

import (
	"go/parser"
	"go/token"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
)

// The house: each package, the packages of ours that it may import, and what it
// may import from outside the standard library. A package stands above all that
// it imports. DEVELOPERS.md tells the reasons; this table is the law.
var house = map[string]struct{ ours, outside string }{
	"device/sector":         {"", ""},
	"ecc/gf256":             {"", ""},
	"ecc/rs":                {"ecc/gf256", ""},
	"ecc/dvd":               {"ecc/gf256 ecc/rs", ""},
	"ecc/cd":                {"ecc/gf256 ecc/rs", ""},
	"ecc/circ":              {"ecc/rs", ""},
	"device/scsi":           {"", ""},
	"device/spiral":         {"device/sector", ""},
	"device":                {"device/sector", ""},
	"mapfile":               {"device/sector", "go.etcd.io/bbolt"},
	"mapfile/chart":         {"device/sector device/spiral mapfile", ""},
	"device/child":          {"device device/sector", "golang.org/x/sys"},
	"imager/plan":           {"device/sector device/spiral mapfile", ""},
	"imager/video":          {"", ""},
	"imager/found":          {"device/sector imager/video", ""},
	"imager/plan/marks":     {"device/sector device/spiral mapfile", ""},
	"imager/volume/tree":    {"device/sector", ""},
	"imager/volume/iso9660": {"device/sector imager/volume/tree", ""},
	"imager/volume/udf":     {"device/sector imager/volume/tree", ""},
	"imager/volume": {"device/sector imager/volume/tree imager/volume/iso9660 imager/volume/udf",
		""},
	"imager/pack":      {"device/sector mapfile", "github.com/klauspost/compress"},
	"device/devnode":   {"device device/scsi", "golang.org/x/sys"},
	"device/blockdev":  {"device device/sector device/child device/devnode", "golang.org/x/sys"},
	"device/optical":   {"device device/sector device/scsi device/child device/devnode", "golang.org/x/sys"},
	"device/sim":       {"device device/sector device/spiral ecc/dvd ecc/rs ecc/cd ecc/circ", ""},
	"device/sim/press": {"", ""},
	"device/sim/unit":  {"device device/sector device/scsi device/sim ecc/cd", ""},
	"device/sim/ruler": {"device device/sector device/sim", ""},
	"imager/rawcd":     {"device device/sector ecc/cd", ""},
	"imager": {"device device/sector device/spiral ecc/cd mapfile mapfile/chart imager/pack imager/plan imager/found imager/rawcd imager/video imager/volume imager/volume/tree imager/plan/marks",
		"golang.org/x/sys"},
	"imager/report":       {"device device/sector mapfile mapfile/chart imager imager/volume imager/volume/tree", ""},
	"cmd/turnstone/bench": {"device mapfile mapfile/chart imager imager/volume imager/volume/tree", ""},
	"cmd/turnstone": {"cmd/turnstone/bench device device/sector device/child device/blockdev device/optical device/scsi device/sim device/sim/press device/sim/ruler device/sim/unit mapfile mapfile/chart imager imager/pack imager/plan imager/report imager/video imager/volume imager/volume/tree",
		"github.com/spf13/pflag golang.org/x/sys"},
}

// Test helpers, which no program imports: they may import what they need.
var helpers = []string{"device/devicetest", "device/devnode/devnodetest", "device/faultydisc", "device/faultydisc/serve",
	"device/sim/simtest", "mapfile/mapfiletest", "imager/volume/volumetest", "imager/video/videotest"}

// Packages of the standard library that only some may import.
var reserved = map[string][]string{
	"unsafe":    {"device/child", "device/devnode", "device/optical"},
	"net/http":  {"cmd/turnstone/bench"},
	"os/signal": {"cmd/turnstone"},
	"flag":      {},
}

func TestImportsFollowTheHouse(t *testing.T) {
	const module = "turnstone/"
	root := "../.."
	seen := map[string]bool{}
	err := filepath.WalkDir(root, func(path string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		if d.IsDir() && path != root && (strings.HasPrefix(d.Name(), ".") || d.Name() == "testdata") {
			return filepath.SkipDir
		}
		if d.IsDir() || !strings.HasSuffix(path, ".go") || strings.HasSuffix(path, "_test.go") {
			return nil
		}
		pkg, err := filepath.Rel(root, filepath.Dir(path))
		if err != nil {
			return err
		}
		isHelper := slices.Contains(helpers, pkg)
		room, known := house[pkg]
		if !known && !isHelper {
			t.Errorf("package %s is not in the house's table", pkg)
			return nil
		}
		seen[pkg] = true
		file, err := parser.ParseFile(token.NewFileSet(), path, nil, parser.ImportsOnly)
		if err != nil {
			return err
		}
		for _, spec := range file.Imports {
			name := strings.Trim(spec.Path.Value, `"`)
			ours, isOurs := strings.CutPrefix(name, module)
			switch {
			case isHelper:
			case isOurs && slices.Contains(helpers, ours):
				t.Errorf("%s imports the test helper %s", path, ours)
			case isOurs:
				if !slices.Contains(strings.Fields(room.ours), ours) {
					t.Errorf("%s imports %s, which %s may not", path, ours, pkg)
				}
			case strings.Contains(strings.Split(name, "/")[0], "."):
				if !slices.ContainsFunc(strings.Fields(room.outside), func(p string) bool {
					return name == p || strings.HasPrefix(name, p+"/")
				}) {
					t.Errorf("%s imports %s, which %s may not", path, name, pkg)
				}
			default:
				if who, ok := reserved[name]; ok && !slices.Contains(who, pkg) {
					t.Errorf("%s imports %s, which %s may not", path, name, pkg)
				}
			}
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	for pkg := range house {
		if !seen[pkg] {
			t.Errorf("package %s is in the table and not in the tree", pkg)
		}
	}
}

// Each package stands above all that it imports: the table has no ring.
func TestHouseHasLevels(t *testing.T) {
	level := map[string]int{}
	var of func(pkg string, under []string) int
	of = func(pkg string, under []string) int {
		if slices.Contains(under, pkg) {
			t.Fatalf("ring of imports: %v", append(under, pkg))
		}
		if n, ok := level[pkg]; ok {
			return n
		}
		n := 0
		for _, o := range strings.Fields(house[pkg].ours) {
			n = max(n, of(o, append(under, pkg))+1)
		}
		level[pkg] = n
		return n
	}
	for pkg := range house {
		of(pkg, nil)
	}
	if level["device/sector"] != 0 || level["cmd/turnstone"] <= level["imager"] {
		t.Errorf("levels = %v; want device/sector at the bottom and cmd/turnstone on top", level)
	}
}

func TestTopLevelIsTheDesigns(t *testing.T) {
	want := []string{"DEVELOPERS.md", "LICENSE", "README.md", "cmd", "device", "ecc", "go.mod", "go.sum", "imager", "mapfile", "testdata"}
	entries, err := os.ReadDir("../..")
	if err != nil {
		t.Fatal(err)
	}
	var got []string
	for _, e := range entries {
		if !strings.HasPrefix(e.Name(), ".") {
			got = append(got, e.Name())
		}
	}
	if !slices.Equal(got, want) {
		t.Errorf("top level = %v; want %v", got, want)
	}
}

// Nothing below cmd prints, exits, reads the environment or takes the wall
// clock, other than through a field. Two files are a process of their own and
// say so.
func TestBelowCmdNothingActsOnItsOwn(t *testing.T) {
	forbidden := map[string]string{
		"os.Exit(": "exits", "os.Getenv(": "reads the environment", "os.LookupEnv(": "reads the environment",
		"os.Stdout": "prints", "os.Stderr": "prints", "fmt.Print(": "prints", "fmt.Println(": "prints",
		"fmt.Printf(": "prints", "log.": "prints", "time.Now()": "takes the clock", "time.Since(": "takes the clock",
	}
	// The child's main is a program's main; it exits by definition. The drive's
	// clock stands beside the drive.
	allowed := map[string][]string{"device/child": {"os.Exit(", "os.Stderr", "time.Now()", "time.Since("}}
	for pkg := range house {
		if strings.HasPrefix(pkg, "cmd/") {
			continue
		}
		files, err := filepath.Glob(filepath.Join("../..", pkg, "*.go"))
		if err != nil {
			t.Fatal(err)
		}
		for _, file := range files {
			if strings.HasSuffix(file, "_test.go") {
				continue
			}
			b, err := os.ReadFile(file)
			if err != nil {
				t.Fatal(err)
			}
			for n, line := range strings.Split(string(b), "\n") {
				code, _, _ := strings.Cut(line, "//")
				for call, what := range forbidden {
					if strings.Contains(code, call) && !slices.Contains(allowed[pkg], call) {
						t.Errorf("%s:%d %s: %s", file, n+1, what, strings.TrimSpace(line))
					}
				}
			}
		}
	}
}
