package main

import (
	"io"

	reports "turnstone/imager/report"
)

// pageReports is the pages and figures that report writes, for the page of the bench.
type pageReports struct{}

// Customer implements bench.Reports.
func (pageReports) Customer(w io.Writer, dir string) error {
	return reportTo(w, dir, (*reports.Report).Customer)
}

// Bench implements bench.Reports.
func (pageReports) Bench(w io.Writer, dir string) error {
	return reportTo(w, dir, (*reports.Report).Bench)
}

// Hours implements bench.Reports.
func (pageReports) Hours(w io.Writer, dir string) error {
	return reportTo(w, dir, (*reports.Report).Hours)
}

// reportTo writes a page of the report on a case.
func reportTo(w io.Writer, dir string, page func(*reports.Report, io.Writer) error) error {
	head, err := letterhead("")
	if err != nil {
		return err
	}
	r, err := reportOf(dir, head)
	if err != nil {
		return err
	}
	return page(r, w)
}
