package site

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
)

// Only what people read is changed: no tag, no value of a box, no script.
func TestInTextsChangesWhatPeopleRead(t *testing.T) {
	for page, want := range map[string]string{
		`<p title="a">a</p>b`:                      `<p title="a">A</p>B`,
		`<script type="x">a < b && c</script>a`:    `<script type="x">a < b && c</script>A`,
		`<textarea rows="2">a</textarea><b>a</b>a`: `<textarea rows="2">a</textarea><b>A</b>A`,
		`a<input value="02:10">`:                   `A<input value="02:10">`,
		`a<`:                                       `A<`,
		``:                                         ``,
	} {
		assert.Equal(t, want, string(inTexts([]byte(page), strings.ToUpper)), page)
	}
}
