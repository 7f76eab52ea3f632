package main

import (
	"bufio"
	"context"
	"fmt"
	"os"
	"strings"

	"turnstone/device"
	"turnstone/imager"
	"turnstone/mapfile"
)

// answered tells whether a question was answered with that word, or its first
// letter.
func answered(word, question string, s streams) bool {
	answer := strings.ToLower(ask(question, s))
	return answer == word || answer == word[:1]
}

// ask puts a question on the terminal and returns the answer.
func ask(question string, s streams) string {
	answer, _ := askUntil(context.Background(), question, s)
	return answer
}

// askUntil is ask that waits no longer than ctx, and returns its error then.
func askUntil(ctx context.Context, question string, s streams) (string, error) {
	tell(s.Err, "%s", question)
	answer := make(chan string, 1)
	go func() { // waits for a line still when the program ends
		line, _ := bufio.NewReader(s.In).ReadString('\n')
		answer <- strings.TrimSpace(line)
	}()
	select {
	case a := <-answer:
		return a, nil
	case <-ctx.Done():
		return "", ctx.Err()
	}
}

// askTreated asks, where a person can answer, whether the disc was treated when
// it was out of the drive, and opens the round.
func askTreated(ctx context.Context, c *imager.Case, info device.Info, o readOptions, s streams) error {
	in, ok := s.In.(*os.File)
	if !ok || !isTerminal(in) || o.json || !strings.HasPrefix(info.Node, "/dev/") || !c.OutSince(info) {
		return nil
	}
	for {
		answer, err := askUntil(ctx, "The disc was out of the drive since the last pass. What was done to it? (clean; sand 2000; polish fine; Enter for nothing) ", s)
		if err != nil {
			return err
		}
		if answer == "" || answer == "nothing" || answer == "no" {
			return nil
		}
		t, err := imager.ParseTreatment(answer)
		if err != nil {
			fmt.Fprintf(s.Err, "%v\n", err)
			continue
		}
		n, err := c.OpenRound(mapfile.Round{Treatments: []mapfile.Treatment{t}})
		if err == nil {
			fmt.Fprintf(s.Err, "Round %d: %s.\n", n, t.Typed)
		}
		return err
	}
}

// allowStep asks, where a person can answer, whether something may be done to a drive
// that gives no answer, with a fragile disc in it; elsewhere it may not.
func allowStep(o readOptions, s streams) func(context.Context, device.Step) bool {
	in, ok := s.In.(*os.File)
	if !ok || !isTerminal(in) || o.json {
		return nil
	}
	return func(ctx context.Context, step device.Step) bool {
		answer, err := askUntil(ctx, fmt.Sprintf("\nThe disc is recorded as fragile, and the drive gives no answer. Next would be: %s. "+
			"The drive may spin the disc up at any speed then. Do it? (yes; Enter for no) ", step), s)
		return err == nil && strings.HasPrefix(strings.ToLower(answer), "y")
	}
}
