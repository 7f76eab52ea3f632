package circ

// Doubtful is which bytes of a number of frames are doubtful where the recorded frames
// told by lost are beyond C1: what Decode comes to without decoding anything, but for
// words that C1 corrects into wrong ones. Lost is of the frames themselves and the
// Reach frames behind them; doubtful is of the bytes that the frames carry.
func Doubtful(lost []bool, doubtful []bool) {
	n := len(lost) - Reach
	erased := func(t int) bool { return lost[t] || lost[t+1] }
	for w := range n + held {
		holes := 0
		for i := range c2Length {
			if erased(w + unit*i) {
				holes++
			}
		}
		for i, s := range order {
			if f := w - s.back; s.byte >= 0 && f >= 0 && f < n {
				doubtful[f*Carried+s.byte] = holes > checks && erased(w+unit*i)
			}
		}
	}
}
