package cli

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"strings"

	"thawtrail/internal/say"
)

// inBothUnits says the numbers of a dose that were typed in a customary unit in both units,
// before anything is saved. Somebody at a terminal is asked; a script means what it says.
func (d *console) inBothUnits(ctx context.Context, ask bool) error {
	for _, sentence := range d.both {
		fmt.Fprintln(d.err, sentence)
	}
	if len(d.both) == 0 || !ask {
		return nil
	}
	fmt.Fprint(d.err, say.Text("units.save")+" ")
	typed := make(chan string, 1)
	go func() { // after an interrupt it waits for a line until the program ends
		line, _ := bufio.NewReader(d.in).ReadString('\n')
		typed <- strings.ToLower(strings.TrimSpace(line))
	}()
	select {
	case <-ctx.Done():
		return errors.New("interrupted; nothing was saved")
	case line := <-typed:
		if line != "y" && line != "yes" {
			return errors.New("nothing was saved")
		}
	}
	return nil
}
