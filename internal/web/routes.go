package web

import (
	"thawtrail/internal/web/barn"
	"thawtrail/internal/web/clinic"
	"thawtrail/internal/web/form"
	"thawtrail/internal/web/machine"
	"thawtrail/internal/web/owner"
	"thawtrail/internal/web/site"
)

// routes lists every address of the site.
func routes(s *site.Site) {
	sticks := &machine.Sticks{}
	s.Open("GET /assets/{name}", site.ServeAsset)
	s.Open("GET /rehearsal.css", site.ServeRehearsalStyle)
	s.Open("GET /enter/{code}", s.Enter)
	s.Open("GET /pair", s.ShowPair)
	s.Open("GET /pair/{code}", s.ShowPair)
	s.Open("POST /pair", s.PairPhone)
	s.Page("GET /{$}", func(req *site.Request) error { return req.Redirect(s.Home()) })
	s.Page("GET /live", site.Stream)
	s.Page("POST /who", site.ChooseWho)
	s.Page("POST /seen", site.SawHold)
	s.Page("POST /lock", site.Lock)
	s.Page("GET /locked", site.ShowLocked)
	s.Page("POST /unlock", site.PostUnlock)
	s.Page("POST /used", site.Used)
	s.Here("GET /pin", machine.OwnPIN)
	s.Here("POST /pin", machine.OwnPIN)
	s.Both("/sign", machine.SignLater)
	s.Here("GET /own-place", machine.OwnPlace)
	s.Here("POST /own-place", machine.OwnPlace)
	s.Here("GET /another", machine.MoreBrowsers)
	s.Here("GET /rehearse", machine.Rehearse)
	s.Here("POST /rehearse", machine.Rehearse)
	s.Here("GET /phones", machine.ShowPhones)
	s.Here("POST /phones", machine.ShowPhones)

	s.Page("GET /barn", barn.ShowNow)
	s.Page("GET /blank", barn.BlankSheet)
	s.Page("GET /cases", barn.ListCases)
	s.Both("/open", barn.OpenCase)
	s.Page("GET /case/{case}", barn.ShowCase)
	s.Both("/case/{case}/{step}", barn.ShowStep)
	s.Both(machine.TakeOverPath, machine.TakeOver)
	s.Upload(machine.TakeOverPath+"/file", machine.TakeFile)
	s.Here("GET /case/{case}/stick", sticks.Show)
	s.Here("GET /case/{case}/stick/{name}", sticks.Send)
	s.Page("GET /case/{case}/vitals.svg", barn.VitalsChart)
	s.Both("/write/{event}", form.ServeEvent)
	s.Both("/correct/{record}", form.ServeCorrection)
	s.Page("POST /undo", form.Undo)
	s.Page("GET /when", form.EchoTime)
	s.Page("GET /bag/{bag}", clinic.ShowBag)
	s.Page("GET /record/{record}", owner.ShowRecord)

	s.Page("GET /clinic", clinic.ShowClinic)
	s.Page("GET /clinic/stock", clinic.ShowStock)
	s.Page("GET /clinic/levels", clinic.ShowLevels)
	s.Both("/clinic/receive", clinic.Receive)
	s.Both("/clinic/delivery", clinic.Deliver)
	s.Page("GET /clinic/labels", clinic.Labels)
	s.Both("/clinic/load", clinic.Load)
	s.Both("/clinic/count", clinic.CountPlace)
	s.Page("GET /clinic/batches", clinic.ListBatches)
	s.Page("GET /clinic/batch", clinic.ShowBatch)
	s.Both("/clinic/hold", clinic.HoldBatch)
	s.Page("GET /clinic/find", clinic.Find)
	s.Page("GET /clinic/warm", clinic.ListWarm)
	s.Page("GET /clinic/recall", clinic.ShowRecall)
	s.Page("GET /clinic/recall/file", clinic.SendRecall)
	s.Page("GET /clinic/setup", clinic.Setup)
	s.Page("GET /clinic/settings", clinic.ListSettings)

	s.Page("GET /owner", owner.ShowOwner)
	s.Page("GET /owner/doubts", owner.ListDoubts)
	s.Page("GET /owner/unproven", owner.ListUnproven)
	s.Here("GET /owner/people", owner.ListPeople)
	s.Here("GET /owner/person/{person}", owner.ShowPerson)
	s.Page("GET /owner/late", owner.ListLate)
	s.Page("GET /owner/corrections", owner.ListCorrections)
	s.Page("GET /owner/results", owner.ShowResults)
	s.Page("GET /owner/balance", owner.ShowBalance)
	s.Page("GET /owner/balance/bags", owner.ListBalanceBags)
	s.Page("GET /owner/csv/{table}", owner.SendCSV)
	s.Page("GET /owner/file", owner.SendFile)
	s.Page("GET /", func(*site.Request) error { return site.ErrNotFound })
}
