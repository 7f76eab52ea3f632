package main

import "fmt"

// Names in the demo's folder.
const (
	demoCaseName     = "first-case"
	demoDiscName     = "disc.iso"
	demoScenarioName = "disc.json"
)

// demoStory is the job as it goes at the bench: what a person thinks, what they
// type, and the exit code of it. What fails where is not told here: the
// scenario says it (demo.json).
var demoStory = []struct {
	say     string
	command command
	args    []string
	code    int
}{
	{"Before the disc is spun: hold it against the light, and note what the eye saw.",
		inspectCommand, []string{demoCaseName, "--crack", "no", "--label", "sound", "--size", "12", "--by", "Sam"}, exitDone},
	{"Round 0 is the disc as it came in. Read what comes.",
		readCommand, []string{demoCaseName, "--drive", demoScenarioName + ":A"}, exitMissing},
	{"Where does that leave us, and what next?",
		statusCommand, []string{demoCaseName}, exitDone},
	{"A fingernail feels the scratches, all round, and the other drive is in use. With the customer's consent, " +
		"all at one go: washed, wet-sanded, polished. Before it, the scale: what the disc weighs less afterwards came off.",
		roundCommand, []string{demoCaseName, "clean", "sand 2000, 4 min, 24-48 mm", "polish coarse, 5 min", "--by", "Sam", "--grams", "15.6"}, exitDone},
	{"Only what is missing is asked for. That it is the same disc which came back can only be told from what it holds: " +
		"one good block is compared first.",
		readCommand, []string{demoCaseName, "--drive", demoScenarioName + ":A"}, exitMissing},
	{"The customer asks for the films. One more of them is whole.",
		filesCommand, []string{demoCaseName}, exitDone},
	{"It is hazy still. Once more, finer.",
		roundCommand, []string{demoCaseName, "polish fine, 90 s", "--by", "Sam", "--quiet-cautions"}, exitDone},
	{"And again only what is missing.",
		readCommand, []string{demoCaseName, "--drive", demoScenarioName + ":A"}, exitMissing},
	{"Two more films; one lacks a little.",
		filesCommand, []string{demoCaseName}, exitDone},
	{"Little is left, and the other drive is free. What it takes off the disc is nothing.",
		readCommand, []string{demoCaseName, "--drive", demoScenarioName + ":B"}, exitDone},
	{"Everything is there. Who won what?",
		statusCommand, []string{demoCaseName}, exitDone},
	{"Does the image hold what the map says? Every sector of it is compared.",
		checkCommand, []string{demoCaseName, "--deep"}, exitDone},
}

// demoLeft says what the demo left behind, and what to do with it.
func demoLeft(dir string) string {
	return fmt.Sprintf(`
Left in %[1]s:
  disc.iso    what the disc holds
  disc.json   the scenario: its scratches, its treatments, its drives A and B
  first-case  the case

Look around, or do the job yourself:
  cd %[2]s
  turnstone status first-case --json
  turnstone read my-case --drive disc.json:A
  turnstone status my-case --list missing
  turnstone round my-case "polish fine, 90 s"
  turnstone read my-case --drive disc.json:A
  turnstone read my-case --drive disc.json:B
  turnstone files my-case
  turnstone extract my-case my-films
  turnstone report my-case
  cmp my-case/image.iso disc.iso
`, dir, shellWord(dir))
}
