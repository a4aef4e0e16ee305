package label

import "time"

// span is a stretch of time in which a zone keeps one offset from UTC. A zero
// from or to means that it has no such end.
type span struct {
	from, to time.Time
	offset   time.Duration
}

// zoneReach is wider than any offset plus any change of offset that a zone has
// made: 14 hours, and the whole day that islands at the date line skipped.
const zoneReach = 39 * time.Hour

func zoneOrUTC(zone *time.Location) *time.Location {
	if zone == nil {
		return time.UTC
	}
	return zone
}

// spansAround lists, in order, the spans that could hold a wall-clock time,
// which is given as if it were in UTC.
func spansAround(zone *time.Location, wall time.Time) []span {
	var out []span
	at := wall.Add(-zoneReach)
	for {
		local := at.In(zoneOrUTC(zone))
		from, to := local.ZoneBounds()
		_, seconds := local.Zone()
		out = append(out, span{from, to, time.Duration(seconds) * time.Second})
		if to.IsZero() || to.After(wall.Add(zoneReach)) || !to.After(at) {
			return out
		}
		at = to
	}
}

// instantsOf lists, in order, the instants at which a zone's clocks show wall:
// one as a rule, none where the clocks skip it, two where they go back over it.
func instantsOf(zone *time.Location, wall time.Time) []time.Time {
	var out []time.Time
	for _, s := range spansAround(zone, wall) {
		t := wall.Add(-s.offset)
		if !t.Before(s.from) && (s.to.IsZero() || t.Before(s.to)) {
			out = append(out, t.In(zoneOrUTC(zone)))
		}
	}
	return out
}

// skipped gives the two instants that a wall-clock time could mean which the
// clocks skip: counted on from before the change, and back from after it.
func skipped(zone *time.Location, wall time.Time) []time.Time {
	spans := spansAround(zone, wall)
	for i := 1; i < len(spans); i++ {
		before, after := wall.Add(-spans[i-1].offset), wall.Add(-spans[i].offset)
		if !before.Before(spans[i].from) && after.Before(spans[i].from) {
			return []time.Time{after.In(zoneOrUTC(zone)), before.In(zoneOrUTC(zone))}
		}
	}
	return nil
}
