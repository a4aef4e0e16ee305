package zone

import (
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// A zone is what the system says that it is, however often it is asked for and by how many
// at once; a name that is none stays none.
func TestAZoneIsRemembered(t *testing.T) {
	want, err := time.LoadLocation("Australia/Sydney")
	require.NoError(t, err)
	at := time.Date(2026, 11, 24, 2, 10, 0, 0, time.UTC) // summer time: ten hours and one, tz database
	var all sync.WaitGroup
	for range 8 {
		all.Go(func() {
			for range 100 {
				got, err := Load("Australia/Sydney")
				if err != nil || !at.In(got).Equal(at.In(want)) || got.String() != want.String() {
					t.Errorf("%v, %v", got, err)
				}
			}
		})
	}
	all.Wait()
	first, err := Load("Australia/Sydney")
	require.NoError(t, err)
	again, err := Load("Australia/Sydney")
	require.NoError(t, err)
	require.Same(t, first, again)
	_, offset := at.In(first).Zone()
	require.Equal(t, 11*3600, offset)
	for range 2 {
		_, err = Load("Australia/Sidney")
		require.Error(t, err)
	}
	require.NotContains(t, known.kept, "Australia/Sidney")
}
