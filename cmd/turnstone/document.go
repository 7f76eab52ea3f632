package main

import (
	"encoding/json"
	"fmt"
	"io"
)

// printDocument prints the one JSON document of a command with --json.
func printDocument(w io.Writer, doc any) error {
	b, err := json.MarshalIndent(doc, "", "  ")
	if err != nil {
		return err
	}
	_, err = fmt.Fprintf(w, "%s\n", b)
	return err
}
