package dosing

// Salt is a pure compound the package knows the chemistry of.
type Salt uint8

// The built-in compounds.
const (
	UnknownSalt Salt = iota
	AmmoniumNitrate
	CalciumNitrateDouble       // 5Ca(NO3)2·NH4NO3·10H2O, the 15.5-0-0 grade
	CalciumNitrateTetrahydrate // Ca(NO3)2·4H2O
	PotassiumNitrate
	AmmoniumSulfate
	Urea
	MonoammoniumPhosphate
	MonopotassiumPhosphate
	PotassiumSulfate
	PotassiumChloride
	MagnesiumSulfate // MgSO4·7H2O
	MagnesiumNitrate // Mg(NO3)2·6H2O
	numSalts
)

var saltNames = [...]string{"unknown", "ammonium-nitrate", "calcium-nitrate", "calcium-nitrate-tetrahydrate",
	"potassium-nitrate", "ammonium-sulfate", "urea", "monoammonium-phosphate", "monopotassium-phosphate",
	"potassium-sulfate", "potassium-chloride", "magnesium-sulfate-heptahydrate", "magnesium-nitrate-hexahydrate"}

func (s Salt) String() string { return nameOf(saltNames[:], s) }

// MarshalText writes the name.
func (s Salt) MarshalText() ([]byte, error) { return []byte(s.String()), nil }

// SaltByName finds a built-in compound by its name, "potassium-nitrate" for
// instance.
func SaltByName(name string) (Salt, bool) { return byName[Salt](saltNames[:], name) }
