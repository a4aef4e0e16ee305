package terminal

import "golang.org/x/sys/windows"

func isTerminal(fd uintptr) bool {
	var mode uint32
	return windows.GetConsoleMode(windows.Handle(fd), &mode) == nil
}

// hideTyping switches the echo off and gives the way back.
func hideTyping(fd uintptr) (back func(), err error) {
	h, old := windows.Handle(fd), uint32(0)
	if err := windows.GetConsoleMode(h, &old); err != nil {
		return nil, err
	}
	hidden := old&^windows.ENABLE_ECHO_INPUT | windows.ENABLE_LINE_INPUT | windows.ENABLE_PROCESSED_INPUT
	back = func() { _ = windows.SetConsoleMode(h, old) } // the console is gone, then
	return back, windows.SetConsoleMode(h, hidden)
}
