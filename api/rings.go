package api

import (
	"context"
	"errors"
	"fmt"
	"math"
	"net/http"
	"strings"
	"time"

	"github.com/danielgtaylor/huma/v2"

	"ringsaddle/calibrate"
)

// wireRing is an artefact in the register.
type wireRing struct {
	ID           string           `json:"id"`
	Ident        string           `json:"ident" doc:"What is engraved on it."`
	Kind         string           `json:"kind" enum:"master,work"`
	NominalMM    float64          `json:"nominal_mm"`
	Material     string           `json:"material"`
	Owner        string           `json:"owner"`
	LowerLimitMM *float64         `json:"lower_limit_mm,omitempty" doc:"Deviation from nominal; absent without a tolerance."`
	UpperLimitMM *float64         `json:"upper_limit_mm,omitempty"`
	Certificate  *wireCertificate `json:"certificate,omitempty" doc:"What a master stands on."`
	Overdue      bool             `json:"overdue" doc:"The certificate's due date is past (by the server's day, UTC)."`
}

type wireCertificate struct {
	Number           string  `json:"number" minLength:"1" maxLength:"100"`
	DiameterMM       float64 `json:"diameter_20c_mm" exclusiveMinimum:"0" maximum:"1000"`
	ExpandedMM       float64 `json:"expanded_uncertainty_mm" exclusiveMinimum:"0" maximum:"0.1"`
	CoverageFactor   float64 `json:"coverage_factor" minimum:"1" maximum:"10"`
	DriftHalfWidthMM float64 `json:"drift_half_width_mm,omitempty" minimum:"0" maximum:"0.1" doc:"Bounds the change since the calibration (triangular)."`
	HeightMM         float64 `json:"height_mm" minimum:"0" maximum:"1000" doc:"Of the certified diameter, from the datum face."`
	DirectionDeg     float64 `json:"direction_deg" minimum:"0" exclusiveMaximum:"360" doc:"Of the certified diameter, from the mark."`
	CalibratedOn     string  `json:"calibrated_on" format:"date"`
	DueOn            string  `json:"due_on" format:"date"`
}

func wireRingOf(r calibrate.Ring) wireRing {
	w := wireRing{
		ID: r.ID, Ident: r.Ident, Kind: string(r.Kind), NominalMM: r.Nominal.MM(), Material: r.Material, Owner: r.Owner,
	}
	if r.LowerLimit != 0 || r.UpperLimit != 0 {
		w.LowerLimitMM, w.UpperLimitMM = mmOf(r.LowerLimit), mmOf(r.UpperLimit)
	}
	if c := r.Certificate; c != nil {
		w.Certificate = &wireCertificate{
			Number: c.Number, DiameterMM: c.Diameter.MM(), ExpandedMM: c.Expanded.MM(),
			CoverageFactor: float64(c.CoverageFactorMill) / 1000, DriftHalfWidthMM: c.DriftHalfWidth.MM(),
			HeightMM: c.Height.MM(), DirectionDeg: float64(c.Direction) / 1000,
			CalibratedOn: c.CalibratedOn, DueOn: c.DueOn,
		}
	}
	return w
}

// wireRingAt is wireRingOf with the state of the certificate on a day.
func (s *Server) wireRingAt(r calibrate.Ring) wireRing {
	w := wireRingOf(r)
	if c := r.Certificate; c != nil && c.DueOn != "" {
		w.Overdue = c.DueOn < s.deps.Now().UTC().Format(time.DateOnly)
	}
	return w
}

// ringBody is a ring as a person enters it.
type ringBody struct {
	By           string           `json:"by" minLength:"1" maxLength:"100"`
	Ident        string           `json:"ident" minLength:"1" maxLength:"64"`
	Kind         string           `json:"kind" enum:"master,work"`
	NominalMM    float64          `json:"nominal_mm" exclusiveMinimum:"0" maximum:"1000"`
	Material     string           `json:"material" minLength:"1" maxLength:"64"`
	Owner        string           `json:"owner,omitempty" maxLength:"200"`
	LowerLimitMM *float64         `json:"lower_limit_mm,omitempty" minimum:"-10" maximum:"10"`
	UpperLimitMM *float64         `json:"upper_limit_mm,omitempty" minimum:"-10" maximum:"10"`
	Certificate  *wireCertificate `json:"certificate,omitempty" doc:"Required for a master, refused for a work ring."`
}

// amendBody is a ringBody with a reason. The fields are repeated: embedded ones
// of an unexported type would be invisible to the description.
type amendBody struct {
	By           string           `json:"by" minLength:"1" maxLength:"100"`
	Reason       string           `json:"reason" minLength:"1" maxLength:"500" doc:"Why the entry is changed; recorded."`
	Ident        string           `json:"ident" minLength:"1" maxLength:"64"`
	Kind         string           `json:"kind" enum:"master,work"`
	NominalMM    float64          `json:"nominal_mm" exclusiveMinimum:"0" maximum:"1000"`
	Material     string           `json:"material" minLength:"1" maxLength:"64"`
	Owner        string           `json:"owner,omitempty" maxLength:"200"`
	LowerLimitMM *float64         `json:"lower_limit_mm,omitempty" minimum:"-10" maximum:"10"`
	UpperLimitMM *float64         `json:"upper_limit_mm,omitempty" minimum:"-10" maximum:"10"`
	Certificate  *wireCertificate `json:"certificate,omitempty" doc:"Required for a master, refused for a work ring."`
}

func (a amendBody) ring() ringBody {
	return ringBody{
		By: a.By, Ident: a.Ident, Kind: a.Kind, NominalMM: a.NominalMM, Material: a.Material, Owner: a.Owner,
		LowerLimitMM: a.LowerLimitMM, UpperLimitMM: a.UpperLimitMM, Certificate: a.Certificate,
	}
}

type ringPath struct {
	Ring string `path:"ring" maxLength:"64" doc:"Id of the ring."`
}

type ringsInput struct {
	Kind string `query:"kind" enum:"master,work" doc:"Only this kind."`
}

type ringList struct {
	Rings []wireRing `json:"rings" nullable:"false"`
}

type wireMaterial struct {
	ID             string  `json:"id"`
	Name           string  `json:"name"`
	ExpansionPerK  float64 `json:"expansion_per_k"`
	ExpansionU     float64 `json:"expansion_u_per_k"`
	YoungModulus   float64 `json:"young_modulus_gpa"`
	YoungModulusU  float64 `json:"young_modulus_u_gpa"`
	PoissonRatio   float64 `json:"poisson_ratio"`
	PoissonRatioU  float64 `json:"poisson_ratio_u"`
	Source         string  `json:"source"`
	CautionMessage string  `json:"caution" doc:"To be shown with the material; empty if none."`
}

type materialList struct {
	Materials []wireMaterial `json:"materials" nullable:"false"`
}

func (s *Server) ringRoutes(api huma.API) {
	get(api, operation("list-rings", http.MethodGet, "/rings", "register", "Rings by ident", 422),
		func(ctx context.Context, in *ringsInput) (ringList, error) {
			list, err := s.deps.Rings.Rings(ctx, calibrate.RingKind(in.Kind))
			if err != nil {
				return ringList{}, s.fail(ctx, "the list of rings", err)
			}
			out := ringList{Rings: []wireRing{}}
			for _, r := range list {
				out.Rings = append(out.Rings, s.wireRingAt(r))
			}
			return out, nil
		})
	get(api, operation("get-ring", http.MethodGet, "/rings/{ring}", "register", "One ring", 404),
		func(ctx context.Context, in *ringPath) (wireRing, error) {
			r, err := s.deps.Rings.Ring(ctx, in.Ring)
			if err != nil {
				return wireRing{}, s.fail(ctx, quoted("ring", in.Ring), err)
			}
			return s.wireRingAt(r), nil
		})
	huma.Register(api, operation("register-ring", http.MethodPost, "/rings", "register", "Register a ring", 409, 422),
		func(ctx context.Context, in *body[ringBody]) (*created[wireRing], error) {
			r, err := ringOf(in.Body)
			if err == nil {
				r, err = s.deps.Rings.Register(ctx, r, in.Body.By)
			}
			if err != nil {
				return nil, s.fail(ctx, "what the ring names", err)
			}
			return &created[wireRing]{Location: "/api/v1/rings/" + r.ID, Body: s.wireRingAt(r)}, nil
		})
	type amendInput struct {
		Ring string `path:"ring" maxLength:"64" doc:"Id of the ring."`
		Body amendBody
	}
	huma.Register(api, operation("amend-ring", http.MethodPost, "/rings/{ring}/amend", "register", "Record a new state of a ring; the old one stays in the journal", 404, 409, 422),
		func(ctx context.Context, in *amendInput) (*body[wireRing], error) {
			r, err := ringOf(in.Body.ring())
			if err == nil {
				r.ID = in.Ring
				r, err = s.deps.Rings.Amend(ctx, r, in.Body.By, in.Body.Reason)
			}
			if err != nil {
				return nil, s.fail(ctx, quoted("ring", in.Ring), err)
			}
			return answer(s.wireRingAt(r)), nil
		})
	get(api, operation("list-materials", http.MethodGet, "/materials", "register", "Materials that a ring may name", 500),
		func(ctx context.Context, _ *struct{}) (materialList, error) {
			list, err := s.deps.Materials.Materials(ctx)
			if err != nil {
				return materialList{}, s.fail(ctx, "the list of materials", err)
			}
			out := materialList{Materials: []wireMaterial{}}
			for _, m := range list {
				out.Materials = append(out.Materials, wireMaterial{
					ID: m.ID, Name: m.Name, ExpansionPerK: m.ExpansionPerK, ExpansionU: m.ExpansionPerKU,
					YoungModulus: m.YoungModulusGPa, YoungModulusU: m.YoungModulusGPaU,
					PoissonRatio: m.PoissonRatio, PoissonRatioU: m.PoissonRatioU, Source: m.Source, CautionMessage: m.Caution,
				})
			}
			return out, nil
		})
}

// ringOf turns the body into a ring; all faults at once.
func ringOf(b ringBody) (calibrate.Ring, error) {
	var errs []error
	length := func(field string, mm float64) calibrate.Length {
		l, err := lengthOf(field, mm)
		if err != nil {
			errs = append(errs, err)
		}
		return l
	}
	r := calibrate.Ring{
		Ident: strings.TrimSpace(b.Ident), Kind: calibrate.RingKind(b.Kind), Material: b.Material, Owner: strings.TrimSpace(b.Owner),
		Nominal: length("nominal_mm", b.NominalMM),
	}
	if r.Ident == "" {
		errs = append(errs, refuseField("ident", b.Ident, "what is engraved on the ring", "A ring needs an ident"))
	}
	if (b.LowerLimitMM == nil) != (b.UpperLimitMM == nil) {
		errs = append(errs, refuseField("upper_limit_mm", "", "both limits or none", "A tolerance has two limits"))
	}
	if b.LowerLimitMM != nil && b.UpperLimitMM != nil {
		r.LowerLimit, r.UpperLimit = length("lower_limit_mm", *b.LowerLimitMM), length("upper_limit_mm", *b.UpperLimitMM)
		if r.LowerLimit >= r.UpperLimit {
			errs = append(errs, refuseField("upper_limit_mm", fmt.Sprint(*b.UpperLimitMM), "above lower_limit_mm", "The upper limit does not lie above the lower one"))
		}
	}
	switch {
	case r.Kind == calibrate.Master && b.Certificate == nil:
		errs = append(errs, refuseField("certificate", "", "the data of the last certificate", "A master stands on a certificate"))
	case r.Kind == calibrate.Work && b.Certificate != nil:
		errs = append(errs, refuseField("certificate", "", "nothing, or kind master", "A work ring has no certificate here"))
	case b.Certificate != nil:
		c := b.Certificate
		r.Certificate = &calibrate.MasterCertificate{
			Number: c.Number, Diameter: length("certificate.diameter_20c_mm", c.DiameterMM),
			Expanded:           length("certificate.expanded_uncertainty_mm", c.ExpandedMM),
			CoverageFactorMill: int64(math.Round(c.CoverageFactor * 1000)),
			DriftHalfWidth:     length("certificate.drift_half_width_mm", c.DriftHalfWidthMM),
			Height:             length("certificate.height_mm", c.HeightMM), Direction: mdegOf(c.DirectionDeg),
			CalibratedOn: c.CalibratedOn, DueOn: c.DueOn,
		}
		if c.DueOn < c.CalibratedOn {
			errs = append(errs, refuseField("certificate.due_on", c.DueOn, "not before calibrated_on", "The due date lies before the calibration"))
		}
		if math.Abs(c.DiameterMM-b.NominalMM) > 0.1 {
			errs = append(errs, refuseField("certificate.diameter_20c_mm", fmt.Sprint(c.DiameterMM), "within 0.1 mm of nominal_mm", "The certified diameter does not belong to this nominal diameter"))
		}
	}
	return r, errors.Join(errs...)
}
