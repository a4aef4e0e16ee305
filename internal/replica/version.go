package replica

import (
	"regexp"
	"runtime/debug"
	"strings"

	"thawtrail/internal/exchange"
	"thawtrail/internal/ledger"
	"thawtrail/internal/store"
)

// release is the number of the release that this source leads to.
const release = "0.1.0"

// Program is what this program was built from.
var Program = readBuild()

// Version of the program; it stands in every record's header, so that whoever doubts a
// record can find the source that wrote it.
var Version = Program.version()

// Formats are the numbers of all that is kept on disks and sent over links.
var Formats = struct{ Fold, Wire, Journal int }{
	Fold: int(ledger.FoldVersion), Wire: int(exchange.Protocol), Journal: store.JournalFormat,
}

// Build is what a program was built from, as far as it was told.
type Build struct {
	Tag      string // of the release, without its v; empty: none
	Commit   string // 40 hex digits; empty: not told
	CommitAt string // RFC 3339
	Dirty    bool   // with changes that are in no commit
}

// tagged is the version that the Go command finds by the tag of a release. What it makes
// up for a commit without a tag is not one.
var tagged = regexp.MustCompile(`^v(\d+\.\d+\.\d+)$`)

func readBuild() Build {
	info, ok := debug.ReadBuildInfo()
	if !ok {
		return Build{}
	}
	return buildOf(info)
}

func buildOf(info *debug.BuildInfo) (b Build) {
	if m := tagged.FindStringSubmatch(info.Main.Version); m != nil {
		b.Tag = m[1]
	}
	for _, s := range info.Settings {
		switch s.Key {
		case "vcs.revision":
			b.Commit = s.Value
		case "vcs.time":
			b.CommitAt = s.Value
		case "vcs.modified":
			b.Dirty = s.Value == "true"
		}
	}
	return b
}

// shortCommit is how much of a commit stands in every record.
const shortCommit = 7

// version is the release, and between releases the commit behind it, as semantic
// versions put it.
func (b Build) version() string {
	if b.Tag != "" && !b.Dirty {
		return b.Tag
	}
	var more []string
	if b.Commit != "" {
		more = append(more, b.Commit[:min(shortCommit, len(b.Commit))])
	}
	if b.Dirty {
		more = append(more, "dirty")
	}
	if len(more) == 0 {
		return release
	}
	return release + "+" + strings.Join(more, ".")
}
