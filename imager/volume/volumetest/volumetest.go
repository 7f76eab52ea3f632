// Package volumetest writes small volumes for tests: ISO 9660 and UDF with what
// other people's writers do not make, or not on demand. It is written from the same
// pages as the readers are, so that it shows that the two agree and what happens
// when a part is missing; what the standards say, discs of other writers show.
package volumetest

import (
	"os"
	"path/filepath"
	"slices"
	"time"
)

// Size of a sector.
const Size = 2048

// File is a file or directory to be written.
type File struct {
	Name     string
	Dir      bool
	Children []File
	Data     []byte
	Link     string // a symbolic link's target
	// How it is recorded; what a file system has no such way for passes it over.
	Parts       int  // ISO: extents with a record each. UDF: extents
	Interleaved bool // ISO
	Relocated   bool // ISO, a directory: Rock Ridge keeps it in rr_moved
	Form        Form // UDF
	Hollow      bool // UDF: an extent of zeros that is not recorded lies behind the data
}

// Form is how UDF records a file's extents.
type Form int

const (
	Short Form = iota
	Long
	Extended
	Within   // the data is in the file entry
	Chained  // short descriptors, two in the entry and then two in each continuation
	Strategy // a chain of entries (strategy 4096), of which the last holds
)

// When is the time of all files.
var When = time.Date(2009, 8, 7, 6, 5, 4, 0, time.UTC)

// image is sectors that grow as they are written.
type image struct{ data []byte }

// at is n bytes from sector a on.
func (m *image) at(a, n int) []byte {
	if need := a*Size + n; need > len(m.data) {
		m.data = append(m.data, make([]byte, (need+Size-1)/Size*Size-len(m.data))...)
	}
	return m.data[a*Size : a*Size+n]
}

func sectors(n int) int { return (n + Size - 1) / Size }

// Bytes is n bytes that look like nothing else: a counter's digits with a name.
func Bytes(name string, n int) []byte {
	out := make([]byte, 0, n+16)
	x := uint32(2166136261)
	for _, c := range []byte(name) {
		x = (x ^ uint32(c)) * 16777619
	}
	for len(out) < n {
		x = x*1664525 + 1013904223
		out = append(out, byte(x>>24)|1)
	}
	return out[:n]
}

// Sample is a tree with what is awkward in most file systems: empty files, sizes
// around a sector's, long names, other scripts, depth, a directory of several sectors.
func Sample() File {
	many := File{Name: "many", Dir: true}
	for i := range 120 {
		name := "file" + string(rune('a'+i/26)) + string(rune('a'+i%26)) + ".dat"
		many.Children = append(many.Children, File{Name: name, Data: Bytes(name, (i*397)%5000)})
	}
	deep := File{Name: "bottom.bin", Data: Bytes("bottom", 7000)}
	for i := 6; i > 0; i-- {
		deep = File{Name: "level" + string(rune('0'+i)), Dir: true, Children: []File{deep}}
	}
	return File{Dir: true, Children: []File{
		{Name: "one.byte", Data: []byte{1}},
		{Name: "empty.dat"},
		{Name: "sector.bin", Data: Bytes("sector", Size)},
		{Name: "more.bin", Data: Bytes("more", Size+1)},
		{Name: "A name of more than thirty-one characters, with spaces.jpeg", Data: Bytes("long", 70000)},
		{Name: "Größe – 日本語.txt", Data: Bytes("script", 5000)},
		many, deep,
		{Name: "DCIM", Dir: true, Children: []File{
			{Name: "IMG_0001.JPG", Data: Bytes("img1", 90000)}, {Name: "IMG_0002.JPG", Data: Bytes("img2", 91000)}}},
		{Name: "hollow", Dir: true},
	}}
}

// Walk calls f with the path of each file and directory below root.
func Walk(root File, f func(path string, file File)) {
	var below func(in string, d File)
	below = func(in string, d File) {
		for _, c := range d.Children {
			f(in+c.Name, c)
			below(in+c.Name+"/", c)
		}
	}
	below("", root)
}

// Put writes the files and directories below root into a folder.
func Put(root File, folder string) (err error) {
	Walk(root, func(path string, f File) {
		path = filepath.Join(folder, path)
		switch {
		case err != nil:
			return
		case f.Dir:
			err = os.Mkdir(path, 0o755)
		default:
			err = os.WriteFile(path, f.Data, 0o644)
		}
		if err == nil {
			err = os.Chtimes(path, When, When)
		}
	})
	return err
}

// Files is the data of the files below root by path, links not among them.
func Files(root File) map[string][]byte {
	all := map[string][]byte{}
	Walk(root, func(path string, f File) {
		if !f.Dir && f.Link == "" {
			all[path] = slices.Clone(f.Data)
			if f.Hollow {
				all[path] = append(all[path], make([]byte, HollowSize)...)
			}
		}
	})
	return all
}

// HollowSize is the length of the extent that is not recorded in a hollow file.
const HollowSize = 3 * Size
