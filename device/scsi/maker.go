package scsi

import "fmt"

// Maker is who made a blank disc, as it is pressed into its groove. It tells one
// kind of disc from another, not one disc from the next.
type Maker struct {
	ID   string
	Type string // "" where the structure has none
}

// Where the characters stand in each structure, by position and number.
var (
	adipFields   = [2][2]int{{19, 8}, {27, 3}}   // libburn, mediainfo.txt
	bdFields     = [2][2]int{{100, 6}, {106, 3}} // [memory]
	preRecFields = [2][2]int{{17, 6}, {25, 6}}   // [memory]; both are the ID
)

// ParseADIP reads the structure of format 11h, +R and +RW. ErrShort is returned
// below 30 bytes.
func ParseADIP(structure []byte) (Maker, error) {
	id, kind, err := twoTexts("ADIP structure", structure, adipFields)
	return Maker{text(id), text(kind)}, err
}

// AppendADIP appends the structure of format 11h, 256 bytes, with nothing else in it.
func AppendADIP(b []byte, m Maker) []byte {
	b, s := grow(b, 256)
	putTwo(s, adipFields, m.ID, m.Type)
	return b
}

// ParsePreRecorded reads the structure of format 0Eh, -R and -RW. ErrShort is
// returned below 31 bytes.
func ParsePreRecorded(structure []byte) (Maker, error) {
	first, second, err := twoTexts("pre-recorded structure", structure, preRecFields)
	return Maker{ID: text(append(append([]byte(nil), first...), second...))}, err
}

// AppendPreRecorded appends the structure of format 0Eh, 64 bytes, with nothing
// else in it; of the ID no more than 12 characters.
func AppendPreRecorded(b []byte, m Maker) []byte {
	b, s := grow(b, 64)
	n := min(len(m.ID), preRecFields[0][1])
	putTwo(s, preRecFields, m.ID[:n], m.ID[n:])
	return b
}

// ParseBDInformation reads the structure of format 00h with media type 1, the
// first disc information unit of a BD. ErrShort is returned below 109 bytes,
// ErrFormat where it does not begin with the characters DI [memory].
func ParseBDInformation(structure []byte) (Maker, error) {
	id, kind, err := twoTexts("BD disc information", structure, bdFields)
	if err == nil && string(structure[:2]) != "DI" {
		return Maker{}, fmt.Errorf("%w: BD disc information begins with % X; want 44 49", ErrFormat, structure[:2])
	}
	return Maker{text(id), text(kind)}, err
}

// AppendBDInformation appends the structure of format 00h with media type 1, 4096
// bytes, with nothing else in it.
func AppendBDInformation(b []byte, m Maker) []byte {
	b, s := grow(b, 4096)
	copy(s, "DI")
	putTwo(s, bdFields, m.ID, m.Type)
	return b
}

// twoTexts is two fields of a structure.
func twoTexts(what string, s []byte, at [2][2]int) (first, second []byte, err error) {
	least := at[1][0] + at[1][1]
	if err := enough(what, s, least); err != nil {
		return nil, nil, err
	}
	return s[at[0][0]:][:at[0][1]], s[at[1][0]:][:at[1][1]], nil
}

func putTwo(s []byte, at [2][2]int, first, second string) {
	putText(s[at[0][0]:][:at[0][1]], first)
	putText(s[at[1][0]:][:at[1][1]], second)
}
