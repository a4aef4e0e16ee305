package exchange

import (
	"fmt"
	"slices"
	"time"

	"thawtrail/internal/event"
)

// Kind names one way in which two sides can differ.
type Kind uint8

// The ways to differ. Append only: the words travel and are logged.
const (
	// Same: nothing differs. The usual case between two laptops that met before.
	Same Kind = iota
	// OtherPractice: both belong to a practice, and not to the same one. A laptop
	// was pointed at the wrong server, or moved between practices. Nothing is
	// exchanged.
	OtherPractice
	// ProtocolTooOld: the other side speaks a version that this program dropped.
	// Nothing is exchanged until it is updated.
	ProtocolTooOld
	// DeviceUnknown: the device is not among those that the practice enrolled as
	// far as this side knows. It was revoked, never joined, or its enrolment has
	// not reached this side. Nothing is exchanged.
	DeviceUnknown
	// NewerProtocol: the other side was updated first. It speaks our version.
	NewerProtocol
	// OlderProtocol: this side was updated first. We speak the older version.
	OlderProtocol
	// FoldVersionDiffers: one side was updated. Records flow; digests of folded
	// state are not compared.
	FoldVersionDiffers
	// ClockApart: a clock is wrong, or was set by hand. Records keep both clocks;
	// times are flagged where they are in doubt, never altered.
	ClockApart
	// HubEpochChanged: the server's store was lost and begun anew since these two
	// last met. What counted as held on the server counts as sent.
	HubEpochChanged
	// HubLostData: in the same epoch, the server holds less of a log than it had
	// acknowledged to us: it was restored from a backup. It is refilled by
	// pushing again; the record counts as sent until a new statement.
	HubLostData
	// TheyKnowMoreOfMyLog: they hold records of a log that this device writes
	// which are not here: this store was restored from a backup, or lost its end.
	// Writing on would use a sequence number twice. Open a new epoch at once; the
	// old log is refilled by pull.
	TheyKnowMoreOfMyLog
	// OwnLogDiffers: at a place in a log that this device writes they hold another
	// record: the key was cloned to a second machine, or a sequence number was
	// used again after a restore. Open a new epoch at once.
	OwnLogDiffers
	// LogForked: the same in a log that another device writes, or a fork that only
	// one side has seen. Both branches are exchanged and kept.
	LogForked
	// TheyLack: we hold records from From on that they do not.
	TheyLack
	// WeLack: they hold records from From on that we do not.
	WeLack
	// WeMissRuns: records below our tip were lost to damage and they hold them.
	WeMissRuns
	// TheyMissRuns: records below their tip were lost to damage and we hold them.
	TheyMissRuns
	// DeviceTwice: two programs exchange records with the key of one device at the
	// same time. Its data folder was copied, and both copies are in use: they will
	// write different records at the same places of its logs.
	DeviceTwice
)

// kinds gives each kind its fixed word, its sentence, and what follows from it.
var kinds = [...]struct {
	word, text string
	stop       bool // nothing is exchanged
	newEpoch   bool // this device must open a new epoch of its logs
}{
	Same:                {word: "same", text: "both sides hold the same"},
	OtherPractice:       {word: "other_practice", text: "the other side belongs to another practice", stop: true},
	ProtocolTooOld:      {word: "protocol_too_old", text: "the other side's program is too old to exchange records with; update it", stop: true},
	DeviceUnknown:       {word: "device_unknown", text: "the other side's device is not enrolled in this practice, as far as is known here", stop: true},
	NewerProtocol:       {word: "newer_protocol", text: "the other side's program is newer"},
	OlderProtocol:       {word: "older_protocol", text: "the other side's program is older"},
	FoldVersionDiffers:  {word: "fold_version_differs", text: "the two programs fold records by different versions; records flow, folded states are not compared"},
	ClockApart:          {word: "clock_apart", text: "the two clocks stand apart by"},
	HubEpochChanged:     {word: "hub_epoch_changed", text: "the clinic's server began a new store; what it held before counts as sent"},
	HubLostData:         {word: "hub_lost_data", text: "the clinic's server holds less than it had acknowledged; it is sent again"},
	TheyKnowMoreOfMyLog: {word: "they_know_more_of_my_log", text: "the other side holds records of this laptop's own log that are not here: this store lost data", newEpoch: true},
	OwnLogDiffers:       {word: "own_log_differs", text: "the other side holds another record at a place of this laptop's own log: its key is in use twice", newEpoch: true},
	LogForked:           {word: "log_forked", text: "the two sides hold different records at one place of a log; both are kept"},
	TheyLack:            {word: "they_lack", text: "the other side lacks records"},
	WeLack:              {word: "we_lack", text: "this side lacks records"},
	WeMissRuns:          {word: "we_miss_runs", text: "records lost to damage here can be fetched again"},
	TheyMissRuns:        {word: "they_miss_runs", text: "records lost to damage on the other side can be given again"},
	DeviceTwice:         {word: "device_twice", text: "two copies of one laptop's data folder are connected at the same time; stop one of them, and let it join as a laptop of its own"},
}

// String is the fixed word: snake_case.
func (k Kind) String() string { return kinds[k].word }

// Difference is one named inequality between two sides.
type Difference struct {
	Kind Kind
	Log  event.LogID // zero unless it is about one log
	// From is the first sequence number concerned; of WeLack on a forked log, the
	// first past our newest tip.
	From uint64
	// OffsetUs of ClockApart: their clock less ours, microseconds.
	OffsetUs int64
}

// Stops says that nothing may be exchanged.
func (d Difference) Stops() bool { return kinds[d.Kind].stop }

// NewEpoch says that this device must open new logs before it writes again.
func (d Difference) NewEpoch() bool { return kinds[d.Kind].newEpoch }

// String is one sentence for the log and the page.
func (d Difference) String() string {
	text := kinds[d.Kind].text
	if d.Kind == ClockApart {
		text += " " + (time.Duration(d.OffsetUs) * time.Microsecond).Round(time.Second).String()
	}
	if !d.Log.IsZero() {
		text += fmt.Sprintf(" (log %s from %d)", d.Log.Short(), d.From)
	}
	return d.Kind.String() + ": " + text
}

// NewEpoch says that one of all differences calls for new logs, and which.
func NewEpoch(ds []Difference) (Difference, bool) {
	if i := slices.IndexFunc(ds, Difference.NewEpoch); i >= 0 {
		return ds[i], true
	}
	return Difference{}, false
}

// Stop is the first difference that forbids the exchange.
func Stop(ds []Difference) (Difference, bool) {
	for _, d := range ds {
		if d.Stops() {
			return d, true
		}
	}
	return Difference{}, false
}
