package imager

import (
	"bytes"
	"encoding/json"
	"os"
	"path/filepath"

	"turnstone/mapfile"
)

// status.json is a copy of what status --json says, for whoever looks on without opening
// the map. It is replaced, whole, at each checkpoint and whenever something was noted; and
// whoever wrote into a case leaves it right (leaveStatus), whatever it was that changed:
// the map, or what lies beside the image.

// statusDoc is the status of the case in dir, of this map, as a JSON document.
func statusDoc(dir string, m *mapfile.Map) []byte {
	b, err := json.MarshalIndent(StatusIn(dir, m), "", "  ")
	if err != nil {
		panic("internal error: " + err.Error()) // plain numbers and strings
	}
	return append(b, '\n')
}

func (d *folder) writeStatus(m *mapfile.Map) error {
	return replaceFile(filepath.Join(d.dir, statusName), statusDoc(d.dir, m))
}

// leaveStatus has status.json say where the case stands when its lock is let go of. A copy
// that is over and can't be written anew, on a full disk, is taken away: who finds none
// looks into the map. Where the map could not be committed, it is not known better than
// the last commit left it.
func (c *Case) leaveStatus() {
	if c.m.Unsaved() {
		return
	}
	path := filepath.Join(c.Dir, statusName)
	is, err := os.ReadFile(path)
	if err == nil && bytes.Equal(is, statusDoc(c.Dir, c.m)) {
		return
	}
	if c.disk.writeStatus(c.m) != nil {
		os.Remove(path)
	}
}
