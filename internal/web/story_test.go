package web

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	pb "thawtrail/proto/thawtrail/v1"
)

// TestADatedListSaysOnceWhatIsSoOfAll reads the story of a bag: what is so of every line
// stands once above it, what is not right in a line stands out.
func TestADatedListSaysOnceWhatIsSoOfAll(t *testing.T) {
	d := newLaptop(t)
	bags := d.begin()
	id := d.foal("Quiet Harbour")
	d.write(&pb.BathChecked{Case: id, Bag: bags[0], LabelRead: true, BatchAndExpiryMatch: true, NoHoldKnown: true, IggKnownOrWaived: true, AgreementGiven: true})
	page := d.get("/bag/" + bags[0])
	story := page[strings.Index(page, "Of all of it:"):]
	require.Equal(t, 1, strings.Count(page, "Of all of it: saved here"))
	require.NotContains(t, story[strings.Index(story, "<tbody>"):strings.Index(story, "</tbody>")], "saved here", "it is said once")
	require.Regexp(t, `<strong>[^<]*not[^<]*</strong>`, story, "the box that was not ticked")
}
