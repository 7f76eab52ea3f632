package imager

import "sync"

// Unicode has letters with accents as one character or as several, and file systems
// differ in what they make of that: to some é and e with an accent behind it are one name
// (Unicode Standard Annex 15: canonical equivalence).

// apart is what a character stands for, of one or two.
type apart struct{ first, second rune } // second is 0 where there is none

var decompositions = sync.OnceValue(func() map[rune]apart {
	all := map[rune]apart{}
	two, one := []rune(ofTwo), []rune(ofOne)
	for i := 0; i < len(two); i += 3 {
		all[two[i]] = apart{two[i+1], two[i+2]}
	}
	for i := 0; i < len(one); i += 2 {
		all[one[i]] = apart{one[i+1], 0}
	}
	return all
})

// appendDecomposed appends what a character stands for, taken apart as far as it goes.
// The order of several accents is left as it is.
func appendDecomposed(to []rune, r rune) []rune {
	if r < 0xC0 {
		return append(to, r)
	}
	// Hangul syllables (Unicode Standard 3.12): 19 × 21 × 28 from AC00h on.
	if s := r - 0xAC00; 0 <= s && s < 19*21*28 {
		to = append(to, 0x1100+s/(21*28), 0x1161+s/28%21)
		if t := s % 28; t > 0 {
			to = append(to, 0x11A7+t)
		}
		return to
	}
	x, composed := decompositions()[r]
	if !composed {
		return append(to, r)
	}
	to = appendDecomposed(to, x.first)
	if x.second != 0 {
		to = append(to, x.second)
	}
	return to
}
