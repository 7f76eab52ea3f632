package imager

import (
	"fmt"
	"strings"

	"turnstone/device"
	"turnstone/mapfile"
)

// DriveName is how people call a drive of the map.
func DriveName(d mapfile.Drive) string {
	name := strings.Join(strings.Fields(d.Vendor+" "+d.Model+" "+d.Serial), " ")
	if name == "" {
		return d.Node
	}
	return name
}

// driveNumber is the number of the drive in the map, which learns of it when it
// is new. The same drive is: vendor, model and serial if it tells a serial, else
// the device node, or the file's path.
func driveNumber(m *mapfile.Map, info device.Info) int {
	d := mapfile.Drive{Vendor: info.Vendor, Model: info.Model, Serial: info.Serial, Node: info.Node}
	if n := findDrive(m, d); n >= 0 {
		return n
	}
	return m.AddDrive(d)
}

// findDrive is the number of a drive in the map, -1 where it is new.
func findDrive(m *mapfile.Map, d mapfile.Drive) int {
	for n, known := range m.Drives() {
		if d.Serial != "" {
			if known.Vendor == d.Vendor && known.Model == d.Model && known.Serial == d.Serial {
				return n
			}
		} else if known.Serial == "" && known.Node == d.Node {
			return n
		}
	}
	return -1
}

// OriginName is how people call where a merged pass came from.
func OriginName(o mapfile.Origin) string {
	name := fmt.Sprintf("pass %d of %s", o.Pass, o.Case)
	if o.Drive != "" {
		name += ", " + o.Drive
	}
	return name
}
