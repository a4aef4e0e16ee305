package query

import (
	"google.golang.org/protobuf/proto"

	"thawtrail/internal/event"
	"thawtrail/internal/ledger"
	pb "thawtrail/proto/thawtrail/v1"
)

// InForce is what stands of practice-wide words that an event of this kind would set
// anew, in the words of that event: who changes one number must not lose the others. Who
// compared them is not among them: a new version is compared anew. Which names it where
// there are several; nil when nothing stands, or it is not clear which.
func (b *ReadView) InForce(of proto.Message, which string) (proto.Message, error) {
	switch of.(type) {
	case *pb.PracticeChanged:
		if p := b.Practice(); p != nil {
			return &pb.PracticeChanged{Name: p.Name, Zone: p.Zone, Currency: p.Currency, IggUnit: p.IggUnit}, nil
		}
	case *pb.ProtocolSet:
		return b.protocolInForce(which)
	case *pb.ProductCard:
		if card, err := b.Card(which); card != nil || err != nil {
			return cardWords(which, card), err
		}
	case *pb.SettingsChanged:
		if text, _, err := b.SettingInForce(which); err == nil {
			return &pb.SettingsChanged{Name: which, Value: text}, nil
		}
	}
	return nil, nil
}

// protocolInForce is the protocol with this name, else the only one.
func (b *ReadView) protocolInForce(name string) (proto.Message, error) {
	var found []*pb.ProtocolSet
	err := b.Each(event.KindProtocol, func(st ledger.State) (bool, error) {
		p, id := st.(*ledger.Protocol).Current(), st.Key().ID
		if p != nil && (name == "" || name == id) {
			found = append(found, &pb.ProtocolSet{
				Name: id, TargetIggCgPerL: p.TargetIggCgPerL, StartUlPerKg: p.StartUlPerKg, StartMin: p.StartMin,
				CeilingMlPerKgPerH: p.CeilingMlPerKgPerH, HeartRateRise: p.HeartRateRise, BreathingRateRise: p.BreathingRateRise,
				ReactionCard: p.ReactionCard, TemperatureRiseDc: p.TemperatureRiseDc, CeilingMlPerKg_24H: p.CeilingMlPerKg24H,
			})
		}
		return len(found) < 2, nil
	})
	if err != nil || len(found) != 1 {
		return nil, err
	}
	return found[0], nil
}

func cardWords(product string, c *ledger.Card) *pb.ProductCard {
	if c == nil {
		return nil
	}
	return &pb.ProductCard{
		Product: product, Name: c.Name, Maker: c.Maker, SupportTelephone: c.SupportTelephone, RegistrationNumber: c.RegistrationNumber,
		Species: c.Species, Route: c.Route, LeastAgeH: c.LeastAgeH, VolumeMl: c.VolumeMl, LeastIggCgPerL: c.LeastIggCgPerL,
		Additives: c.Additives, DonorStatement: c.DonorStatement, Storage: c.Storage, StorageMaxDc: c.StorageMaxDc, Thaw: c.Thaw,
		ThawMaxDc: c.ThawMaxDc, Dose: c.Dose, Rate: c.Rate, RateMaxMlPerKgPerH: c.RateMaxMlPerKgPerH, Reactions: c.Reactions,
		Contraindications: c.Contraindications, WithdrawalDays: c.WithdrawalDays, UseWithinThawMin: c.UseWithinThawMin,
	}
}
