package mapfiletest

import (
	"fmt"
	"os"
	"path/filepath"
	"testing"

	"turnstone/mapfile"
)

// recorder is a test that keeps what it is told.
type recorder struct {
	testing.TB
	end    func()
	errors []string
}

func (r *recorder) Helper()          {}
func (r *recorder) Cleanup(f func()) { r.end = f }
func (r *recorder) Errorf(format string, args ...any) {
	r.errors = append(r.errors, fmt.Sprintf(format, args...))
}

func TestChecked(t *testing.T) {
	path := filepath.Join(t.TempDir(), "map.db")
	if err := mapfile.Create(path, mapfile.New("c")); err != nil {
		t.Fatal(err)
	}
	run := func() []string {
		r := &recorder{}
		Checked(r, path)
		r.end()
		return r.errors
	}
	if got := run(); len(got) != 0 {
		t.Errorf("a sound map has errors %q; want none", got)
	}
	data, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	data[4096+40] ^= 1 // within the second starting page
	if err := os.WriteFile(path, data, 0o600); err != nil {
		t.Fatal(err)
	}
	if got := run(); len(got) == 0 {
		t.Errorf("a damaged map has no errors")
	}
	if err := os.Truncate(path, 0); err != nil {
		t.Fatal(err)
	}
	if got := run(); len(got) != 1 {
		t.Errorf("an empty map has errors %q; want one", got)
	}
}
