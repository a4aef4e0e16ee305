package ledger

import pb "thawtrail/proto/thawtrail/v1"

// Product is a product and every label card that was entered for it.
type Product struct {
	_ struct{} `cbor:",toarray"`
	Common
	Cards []Card // written order; the last one stands
	Codes []ProductCode
}

// ProductCode is a maker's number that was told to stand for the product.
type ProductCode struct {
	_     struct{} `cbor:",toarray"`
	Stamp Stamp
	GTIN  string // 14 digits
}

// Card is a label in the label's own words.
type Card struct {
	_                  struct{} `cbor:",toarray"`
	Stamp              Stamp
	Version            uint32
	Name               string
	Maker              string
	SupportTelephone   string
	RegistrationNumber string
	Species            string
	Route              pb.ProductRoute
	LeastAgeH          *int32
	VolumeMl           *int32
	LeastIggCgPerL     *int32
	Additives          string
	DonorStatement     string
	Storage            string
	StorageMaxDc       *int32
	Thaw               string
	ThawMaxDc          *int32
	Dose               string
	Rate               string
	RateMaxMlPerKgPerH *int32
	Reactions          string
	Contraindications  string
	WithdrawalDays     *int32
	UseWithinThawMin   *int32
	CheckedBy          string
}

// Card is the label card that stands; nil when there is none.
func (p *Product) Card() *Card {
	if len(p.Cards) == 0 {
		return nil
	}
	return &p.Cards[len(p.Cards)-1]
}

func foldProduct(s *set) State {
	pr := &Product{}
	for _, f := range s.facts {
		switch p := f.body.(type) {
		case *pb.ProductCard:
			pr.Cards = append(pr.Cards, cardOf(f.stamp(), p))
		case *pb.ProductCoded:
			pr.Codes = append(pr.Codes, ProductCode{Stamp: f.stamp(), GTIN: p.Gtin})
		}
	}
	pr.Common = s.common()
	return pr
}

func cardOf(at Stamp, p *pb.ProductCard) Card {
	return Card{
		Stamp: at, Version: p.Version, Name: p.Name, Maker: p.Maker, SupportTelephone: p.SupportTelephone,
		RegistrationNumber: p.RegistrationNumber, Species: p.Species, Route: p.Route,
		LeastAgeH: copied(p.LeastAgeH), VolumeMl: copied(p.VolumeMl), LeastIggCgPerL: copied(p.LeastIggCgPerL),
		Additives: p.Additives, DonorStatement: p.DonorStatement, Storage: p.Storage,
		StorageMaxDc: copied(p.StorageMaxDc), Thaw: p.Thaw, ThawMaxDc: copied(p.ThawMaxDc), Dose: p.Dose,
		Rate: p.Rate, RateMaxMlPerKgPerH: copied(p.RateMaxMlPerKgPerH), Reactions: p.Reactions,
		Contraindications: p.Contraindications, WithdrawalDays: copied(p.WithdrawalDays),
		UseWithinThawMin: copied(p.UseWithinThawMin), CheckedBy: p.CheckedBy,
	}
}
