package rs_test

import (
	"fmt"

	"turnstone/ecc/rs"
)

// A word that lost four symbols at known places and three at unknown ones: with
// ten check symbols, 2·3 + 4 is just what can be borne.
func Example() {
	code, err := rs.New(24, 14, 0)
	if err != nil {
		fmt.Println(err)
		return
	}
	word := make([]byte, code.N())
	copy(word, "a word of data")
	if err := code.Encode(word); err != nil {
		fmt.Println(err)
		return
	}
	copy(word, "????rd_of#dat!")

	res, err := code.NewDecoder().Decode(word, []int{0, 1, 2, 3})
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("%v at %v: %s\n", res.Verdict, res.At, word[:code.K()])
	// Output: corrected at [0 1 2 3 6 9 13]: a word of data
}
