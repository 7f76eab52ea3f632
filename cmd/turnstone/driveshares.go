package main

import (
	"fmt"
	"os"

	"turnstone/device/sector"
	"turnstone/imager"
)

// folderOfCases tells whether a folder holds cases.
func folderOfCases(dir string) bool {
	if info, err := os.Stat(dir); err != nil || !info.IsDir() {
		return false
	}
	_, err := imager.Cases(dir)
	return err == nil
}

// listShares is drives on a folder of cases.
func listShares(dir string, asJSON bool, s streams) error {
	shares, err := imager.DriveShares(dir)
	if err != nil {
		return err
	}
	if asJSON {
		return printDocument(s.Out, struct {
			Drives []imager.DriveShare `json:"drives"`
		}{append([]imager.DriveShare{}, shares...)})
	}
	if len(shares) == 0 {
		tell(s.Out, "In none of the cases was a drive asked for what another could not read.\n")
		return nil
	}
	for _, d := range shares {
		tell(s.Out, "%s\n", shareInWords(d))
	}
	tell(s.Out, "The range is that of 95 %% if blocks fared independently; on few discs they do not. "+
		"Compare a drive with itself some weeks ago: a lens that fouls reads less and less of it.\n")
	return nil
}

// shareInWords is how a drive fares where others failed.
func shareInWords(d imager.DriveShare) string {
	low, high := wilson(d.Came, d.Asked)
	cases := "1 case"
	if d.Cases != 1 {
		cases = sector.Thousands(int64(d.Cases)) + " cases"
	}
	return fmt.Sprintf("%s: read %.0f %% (%.0f–%.0f %%) of what others could not, by %s ECC blocks in %s.",
		shown(d.Drive), 100*float64(d.Came)/float64(d.Asked), 100*low, 100*high, sector.Thousands(d.Asked), cases)
}
