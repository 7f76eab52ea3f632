package main

import "turnstone/device"

// shellWord is a name as one word at a shell.
func shellWord(name string) string { return device.ShellWord(name) }
