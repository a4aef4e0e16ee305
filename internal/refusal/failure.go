package refusal

import (
	"errors"
	"fmt"
)

// Kinds of failure that refuse no value of an input. Callers tell them apart with
// errors.Is; gRPC has a code for each (internal/rpc), pages an answer.
var (
	ErrNotFound    = errors.New("not found")
	ErrDenied      = errors.New("not allowed")
	ErrUnready     = errors.New("not possible as things stand")
	ErrTooMuch     = errors.New("over a limit")
	ErrUnavailable = errors.New("not available now")
	ErrDamaged     = errors.New("damaged here")
)

type failure struct {
	kind error
	text string
}

func (f *failure) Error() string { return f.text }
func (f *failure) Unwrap() error { return f.kind }

// Fail makes an error of a kind with a sentence for people.
func Fail(kind error, format string, args ...any) error {
	return &failure{kind: kind, text: fmt.Sprintf(format, args...)}
}

// Plain is the sentence of an error that was worded for people; false for one that
// was not, such as a failing disk's.
func Plain(err error) (string, bool) {
	if e, ok := As(err); ok {
		return e.Error(), true
	}
	var f *failure
	if errors.As(err, &f) {
		return f.text, true
	}
	return "", false
}
