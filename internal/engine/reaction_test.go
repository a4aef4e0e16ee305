package engine

import (
	"testing"

	"github.com/stretchr/testify/assert"
)

func TestReactionSignsSpeakForKinds(t *testing.T) {
	seen := map[string]bool{}
	for _, s := range ReactionSigns() {
		assert.NotEmpty(t, s.Words, s.Name)
		assert.NotEmpty(t, s.Kinds, s.Name)
		assert.Subset(t, ReactionKinds(), s.Kinds)
		assert.False(t, seen[s.Name], "%s twice", s.Name)
		seen[s.Name] = true
	}
	for _, kind := range ReactionKinds() {
		found := false
		for _, s := range ReactionSigns() {
			found = found || assert.ObjectsAreEqual([]string{kind}, ReactionKindsOf([]string{s.Name}))
		}
		assert.True(t, found, "no sign of its own for %s", kind)
	}
	assert.Equal(t, []string{ReactionOverload}, ReactionKindsOf([]string{"cough", "froth"}))
	assert.Equal(t, []string{ReactionHaemolytic}, ReactionKindsOf([]string{"red_urine"}))
	assert.Equal(t, []string{ReactionOverload, ReactionHaemolytic}, ReactionKindsOf([]string{"red_urine", "oedema", "no such sign"}))
	assert.Empty(t, ReactionKindsOf(nil))
}
