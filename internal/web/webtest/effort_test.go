package webtest

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
)

// TestPerson reckons two tasks by hand. One press: M + P + press. A field of five
// letters between two presses: two presses, one M, five K, twice H.
func TestPerson(t *testing.T) {
	var e Effort
	var h hand
	e.point(&h)
	assert.Equal(t, 2650*time.Millisecond, e.Person())
	e.typed(&h, "50,25", false)
	e.point(&h)
	e.load(time.Second)
	assert.Equal(t, (2*2650+1350+5*280+2*400)*time.Millisecond, e.Person(), "the machine's time is told apart")
	assert.Equal(t, 2+5+1, e.Steps())
	e.typed(&h, "E9N0", true)
	assert.Equal(t, (2*2650+2*1350+5*280+4*750+3*400)*time.Millisecond, e.Person())
}
