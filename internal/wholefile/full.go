package wholefile

import (
	"errors"
	"slices"
)

// Full says that an error is a disk, or a user's share of it, that is full.
func Full(err error) bool {
	return slices.ContainsFunc(fullErrors, func(full error) bool { return errors.Is(err, full) })
}
