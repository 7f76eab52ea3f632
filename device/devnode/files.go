package devnode

import (
	"io"
	"os"
	"strings"
)

// mostOfAFile bounds what is read of a file of the kernel's or the system's.
const mostOfAFile = 4 << 20

// readFile is a small file's content; nil where it can't be read.
func readFile(path string) []byte {
	f, err := os.Open(path)
	if err != nil {
		return nil
	}
	defer f.Close()
	b, err := io.ReadAll(io.LimitReader(f, mostOfAFile))
	if err != nil {
		return nil
	}
	return b
}

// tidy makes one line of printable ASCII of what a drive or the kernel says, with
// single spaces: drives fill their names up with spaces and zeros.
func tidy(b []byte) string {
	s := strings.Map(func(r rune) rune {
		if r <= ' ' || r > '~' {
			return ' '
		}
		return r
	}, string(b))
	return strings.Join(strings.Fields(s), " ")
}

// BootID is another after each start of the machine; "" where it can't be had.
func BootID() string { return tidy(readFile("/proc/sys/kernel/random/boot_id")) }
