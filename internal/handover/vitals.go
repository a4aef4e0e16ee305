package handover

// Look is temperature (0.1 C), heart rate and breathing rate as a code carries them; nil
// for what was not measured, or lies where no measurement does.
type Look struct{ TemperatureDc, HeartRate, BreathingRate *int32 }

// Empty says that nothing was measured.
func (l Look) Empty() bool { return l == Look{} }

// The least temperature that a code can say, in 0.1 C: the least that is accepted.
const leastDc = 250

// lastRow is the fourth row: when the code was made, the last look at the patient, and
// the baseline that its alarms compare with.
var lastRow = []field{
	{"made", 8}, {"look", 8}, {"temperature", 8}, {"heart", 9}, {"breaths", 8},
	{"baseline temperature", 8}, {"baseline heart", 8}, {"baseline breaths", 8},
}

const none9 = 1<<9 - 1

// lastNumbers adds the numbers of the fourth row. A look whose time the code cannot say
// is left out: it would stand as if it were new.
func (s *Sheet) lastNumbers(v map[string]uint64) {
	made := s.MadeMs / minuteMs
	v["made"] = minutes(s.MadeMs, made-s.StartedMs/minuteMs)
	v["look"] = minutes(s.VitalsMs, made-s.VitalsMs/minuteMs)
	look := s.Vitals
	if v["made"] == none8 || v["look"] == none8 {
		look, v["look"] = Look{}, none8
	}
	v["temperature"] = carried(look.TemperatureDc, leastDc, 1, none8)
	v["heart"] = carried(look.HeartRate, 0, 1, none9)
	v["breaths"] = carried(look.BreathingRate, 0, 1, none8)
	v["baseline temperature"] = carried(s.Baseline.TemperatureDc, leastDc, 1, none8)
	v["baseline heart"] = carried(s.Baseline.HeartRate, 0, 2, none8)
	v["baseline breaths"] = carried(s.Baseline.BreathingRate, 0, 1, none8)
}

// carried is a value in whole steps over the least one, or none when there is no value or
// it does not fit.
func carried(value *int32, least, step int32, none uint64) uint64 {
	if value == nil || *value < least || uint64(*value-least+step/2)/uint64(step) >= none {
		return none
	}
	return uint64(*value-least+step/2) / uint64(step)
}

// readLast is the reverse of lastNumbers, but for the time that the code was made.
func (s *Sheet) readLast(v map[string]uint64) {
	value := func(name string, least, step int32, none uint64) *int32 {
		if v[name] == none {
			return nil
		}
		return new(least + int32(v[name])*step)
	}
	s.Baseline = Look{value("baseline temperature", leastDc, 1, none8), value("baseline heart", 0, 2, none8), value("baseline breaths", 0, 1, none8)}
	if s.MadeMs == 0 || v["look"] == none8 {
		return
	}
	s.VitalsMs = s.MadeMs - int64(v["look"])*minuteMs
	s.Vitals = Look{value("temperature", leastDc, 1, none8), value("heart", 0, 1, none9), value("breaths", 0, 1, none8)}
}
