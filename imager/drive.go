package imager

import (
	"fmt"
	"path/filepath"
	"strings"

	"turnstone/device"
	"turnstone/mapfile"
)

// driveOf is what the map keeps of a drive.
func driveOf(info device.Info) mapfile.Drive {
	return mapfile.Drive{Vendor: info.Vendor, Model: info.Model, Serial: info.Serial, Node: info.Node, Port: info.Port}
}

// driveNumber is the number of the drive in the map; of one that is new, the
// number that it will get. The same drive is: vendor, model and serial if it
// tells a serial, else vendor, model and where it is plugged in; where that is
// not known the device node, or the file's path.
func driveNumber(m *mapfile.Map, info device.Info) int {
	d := driveOf(info)
	for n, known := range m.Drives() {
		switch {
		case known.Vendor != d.Vendor || known.Model != d.Model || known.Serial != d.Serial:
		case d.Serial != "", d.Port != "" && known.Port == d.Port, (d.Port == "" || known.Port == "") && known.Node == d.Node:
			return n
		}
	}
	return len(m.Drives())
}

// knownDrive is the number of the drive in the map, which knows it from then on.
func knownDrive(m *mapfile.Map, info device.Info) int {
	n := driveNumber(m, info)
	if n == len(m.Drives()) {
		m.AddDrive(driveOf(info))
	}
	return n
}

// passBy is who brought what a pass did: its drive, or where it came from.
func passBy(p mapfile.Pass, drives []mapfile.Drive) string {
	switch {
	case p.Drive >= 0:
		return drives[p.Drive].Name()
	case p.Origin != nil:
		return OriginName(*p.Origin)
	}
	return ""
}

// OriginName is how people call where a merged pass came from; it goes with "from".
func OriginName(o mapfile.Origin) string {
	o = *plainOrigin(o) // a program that took the names as they came may have kept it
	if filepath.IsAbs(o.Case) {
		return "image " + o.Case
	}
	id, _, copied := strings.Cut(o.Case, " ")
	if len(id) > 8 { // enough to tell cases apart
		id = id[:8]
	}
	name := "case " + id
	if copied {
		name = "a copy of case " + id
	}
	where := fmt.Sprintf("its pass %d", o.Pass)
	if o.Round > 0 {
		where += fmt.Sprintf(" in its round %d", o.Round)
	}
	if o.Treated != "" {
		where += ", " + o.Treated
	}
	if o.Drive != "" {
		where += ", by " + o.Drive
	}
	return fmt.Sprintf("%s (%s)", name, where)
}
