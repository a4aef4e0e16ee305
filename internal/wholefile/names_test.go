package wholefile

import (
	"io/fs"
	"testing"

	"github.com/stretchr/testify/require"
)

// TestAFolderKeepsNames holds a folder to what Names promises.
func TestAFolderKeepsNames(t *testing.T) {
	names := Folder(t.TempDir())
	_, err := names.Read("a.box", 10)
	require.ErrorIs(t, err, fs.ErrNotExist)
	require.False(t, There(names, "a.box"))
	list, err := names.List("aside")
	require.NoError(t, err)
	require.Empty(t, list)
	require.NoError(t, names.Remove("aside/1.run"))

	for _, name := range []string{"aside/2.run", "aside/1.run", "a.box"} {
		require.NoError(t, names.Write(name, []byte("old")))
		require.NoError(t, names.Write(name, []byte("of "+name)))
		got, err := names.Read(name, 20)
		require.NoError(t, err)
		require.Equal(t, "of "+name, string(got))
		require.True(t, There(names, name))
	}
	_, err = names.Read("a.box", 3)
	require.ErrorIs(t, err, ErrTooLong)
	list, err = names.List("aside")
	require.NoError(t, err)
	require.Equal(t, []string{"aside/1.run", "aside/2.run"}, list)
	list, err = names.List("")
	require.NoError(t, err)
	require.Equal(t, []string{"a.box"}, list)

	require.NoError(t, names.Remove("aside/1.run"))
	require.False(t, There(names, "aside/1.run"))
}
