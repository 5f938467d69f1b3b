//! Words by which people name layers and attributes, in several languages.

use crate::model::LayerKind;

/// What a name says of a role.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Strength {
    /// It means this role and hardly another.
    Strong,
    /// It may mean this role or another.
    Weak,
}

/// A language with words of a role, parted by commas.
type InLanguage = (&'static str, &'static str);

/// Words of a role: those that mean it, and those that may.
pub(super) struct RoleWords {
    pub kind: LayerKind,
    strong: &'static [InLanguage],
    weak: &'static [InLanguage],
}

/// From the trade and from dictionaries; plurals that only add a letter or two are found by themselves.
pub(super) const ROLES: &[RoleWords] = &[
    RoleWords {
        kind: LayerKind::Blocks,
        strong: &[
            (
                "English",
                "blocks, cut block, cutblock, harvest block, harvest area, harvest unit, felling block, felling area",
            ),
            (
                "French",
                "bloc de coupe, aire de coupe, assiette de coupe, assiette, bloc",
            ),
            (
                "Spanish",
                "bloque, rodal de corta, area de corta, tala, aprovechamiento",
            ),
            (
                "German",
                "hieb, hiebsfläche, hiebsflaeche, erntefläche, ernteflaeche, einschlag, schlagfläche",
            ),
            (
                "Finnish",
                "leimikko, leimikot, hakkuu, hakkuualue, hakkuulohko, hakkuukuvio",
            ),
            (
                "Swedish",
                "trakt, avverkningstrakt, avverkning, avverkningsområde",
            ),
            ("Russian", "лесосека, лесосеки, делянка, делянки"),
            ("Portuguese", "talhão, talhões, corte, área de corte"),
        ],
        weak: &[
            ("English", "harvest, felling, unit, logging, opening"),
            ("French", "coupe"),
            ("Spanish", "corta"),
        ],
    },
    RoleWords {
        kind: LayerKind::Streams,
        strong: &[
            (
                "English",
                "stream, river, creek, brook, watercourse, waterway, flowline",
            ),
            (
                "French",
                "ruisseau, ruisseaux, rivière, cours d'eau, cours eau, torrent",
            ),
            ("Spanish", "río, arroyo, quebrada, curso de agua"),
            (
                "German",
                "bach, bäche, baeche, fluss, flüsse, fluesse, fließgewässer, fliessgewaesser, wasserlauf",
            ),
            (
                "Finnish",
                "puro, purot, joki, joet, uoma, uomat, noro, norot, virtavesi, virtavedet",
            ),
            ("Swedish", "bäck, bäckar, vattendrag, älv, älvar"),
            ("Russian", "река, реки, ручей, ручьи, водоток, водотоки"),
            (
                "Portuguese",
                "rio, ribeiro, ribeira, riacho, córrego, curso de água",
            ),
        ],
        weak: &[
            (
                "English",
                "hydro, hydrography, hydrology, drainage, ditch, water",
            ),
            ("French", "hydrographie"),
            ("Spanish", "hidrografía"),
            ("German", "gewässer, gewaesser, graben"),
            ("Finnish", "vesistö, oja"),
            ("Swedish", "dike, hydrografi"),
            ("Russian", "гидрография"),
            ("Portuguese", "hidrografia"),
        ],
    },
    RoleWords {
        kind: LayerKind::Lakes,
        strong: &[
            (
                "English",
                "lake, pond, reservoir, waterbody, water body, water",
            ),
            ("French", "lac, étang, plan d'eau, plan eau, réservoir"),
            ("Spanish", "lago, laguna, embalse"),
            (
                "German",
                "see, seen, teich, weiher, stillgewässer, stillgewaesser",
            ),
            ("Finnish", "järvi, järvet, lampi, lammet"),
            ("Swedish", "sjö, sjöar, tjärn"),
            ("Russian", "озеро, озёра, озера, пруд, водоём"),
            ("Portuguese", "lago, lagoa, albufeira, represa"),
        ],
        weak: &[
            ("English", "hydro, hydrography"),
            ("French", "hydrographie, eau"),
            ("Spanish", "agua"),
            ("German", "gewässer, gewaesser, wasser"),
            ("Finnish", "vesi, vesistö"),
            ("Swedish", "vatten"),
            ("Russian", "вода"),
            ("Portuguese", "água"),
        ],
    },
    RoleWords {
        kind: LayerKind::Wetlands,
        strong: &[
            (
                "English",
                "wetland, marsh, swamp, bog, fen, mire, peatland, muskeg",
            ),
            (
                "French",
                "milieu humide, milieux humides, zone humide, marais, tourbière, marécage",
            ),
            ("Spanish", "humedal, humedales, pantano, turbera, ciénaga"),
            ("German", "moor, sumpf, feuchtgebiet, nassfläche"),
            ("Finnish", "suo, suot, kosteikko, kosteikot, räme, korpi"),
            ("Swedish", "våtmark, myr, myrar, kärr, mosse, sumpskog"),
            ("Russian", "болото, болота"),
            (
                "Portuguese",
                "pântano, brejo, várzea, turfeira, zona húmida",
            ),
        ],
        weak: &[("English", "wet, water")],
    },
    RoleWords {
        kind: LayerKind::Roads,
        strong: &[
            ("English", "road, fsr, highway, haul route, street"),
            (
                "French",
                "route, chemin, voirie, desserte, chemin forestier",
            ),
            ("Spanish", "camino, carretera, camino forestal, vial"),
            (
                "German",
                "straße, strasse, weg, wege, forstweg, waldweg, fahrweg, forststraße",
            ),
            ("Finnish", "tie, tiet, tiestö, metsätie, metsäautotie"),
            ("Swedish", "väg, vägar, skogsbilväg"),
            ("Russian", "дорога, дороги"),
            ("Portuguese", "estrada, caminho, caminho florestal, rodovia"),
        ],
        weak: &[
            ("English", "track, access, transport, haul"),
            ("French", "piste"),
            ("Spanish", "pista"),
            ("Portuguese", "via"),
        ],
    },
    RoleWords {
        kind: LayerKind::Protected,
        strong: &[
            (
                "English",
                "protected, protection, conservation, sanctuary, nature reserve, park, no entry, key habitat",
            ),
            (
                "French",
                "aire protégée, protégé, protégée, conservation, parc",
            ),
            (
                "Spanish",
                "protegida, protegido, área protegida, parque, conservación",
            ),
            (
                "German",
                "schutzgebiet, naturschutz, naturschutzgebiet, biotop, ffh",
            ),
            (
                "Finnish",
                "suojelu, suojelualue, luonnonsuojelu, natura, suojellut",
            ),
            (
                "Swedish",
                "skydd, skyddad, skyddade, naturreservat, reservat, nyckelbiotop, biotopskydd",
            ),
            ("Russian", "заповедник, охрана, охраняемые, оопт"),
            (
                "Portuguese",
                "protegida, área protegida, parque, conservação",
            ),
        ],
        weak: &[
            ("English", "reserve, habitat"),
            ("French", "réserve, habitat"),
            ("Spanish", "reserva"),
            ("Portuguese", "reserva"),
        ],
    },
    RoleWords {
        kind: LayerKind::Retain,
        strong: &[
            (
                "English",
                "retain, retention, leave tree, wildlife tree, danger tree, den, nest",
            ),
            (
                "French",
                "rétention, arbre à conserver, arbres à conserver, nid",
            ),
            ("Spanish", "árboles a conservar, nido, retención"),
            (
                "German",
                "habitatbaum, biotopbaum, überhälter, horst, altholzinsel",
            ),
            (
                "Finnish",
                "säästöpuu, säästöpuut, säästöpuuryhmä, pesä, pesäpuu",
            ),
            (
                "Swedish",
                "naturvårdsträd, evighetsträd, hänsyn, hänsynsyta",
            ),
            ("Russian", "семенник, сохраняемые, гнездо"),
            ("Portuguese", "retenção, ninho, árvores a conservar"),
        ],
        weak: &[("English", "leave, keep, trees")],
    },
    RoleWords {
        kind: LayerKind::Brush,
        strong: &[
            ("English", "brush, shrub, thicket"),
            ("French", "broussaille, arbuste, fourré"),
            ("Spanish", "matorral, arbusto"),
            ("German", "gebüsch, gestrüpp, dickicht, strauch"),
            ("Finnish", "pensas, pensaikko, vesakko"),
            ("Swedish", "buskage, buskar, sly"),
            ("Russian", "кустарник, кустарники"),
            ("Portuguese", "matagal, arbusto"),
        ],
        weak: &[("English", "undergrowth"), ("Portuguese", "mato")],
    },
    RoleWords {
        kind: LayerKind::SoftGround,
        strong: &[
            (
                "English",
                "soft ground, soft soil, sensitive soil, low bearing",
            ),
            (
                "French",
                "sol mou, sols mous, sol fragile, sols fragiles, faible portance",
            ),
            ("Spanish", "suelo blando"),
            ("German", "weichboden, befahrungsempfindlich, nassboden"),
            ("Finnish", "pehmeikkö, pehmeiköt, kantavuus"),
            ("Swedish", "mjuk mark, bärighet"),
            ("Russian", "слабый грунт, слабые грунты"),
            ("Portuguese", "solo mole"),
        ],
        weak: &[("English", "soft, wet ground")],
    },
    RoleWords {
        kind: LayerKind::Hazards,
        strong: &[
            (
                "English",
                "hazard, danger, cliff, trail, dwelling, steep break, avalanche",
            ),
            ("French", "danger, sentier, falaise, risque"),
            ("Spanish", "peligro, sendero, acantilado, riesgo"),
            ("German", "gefahr, gefahrenstelle, wanderweg, felswand"),
            (
                "Finnish",
                "vaara, vaarat, polku, polut, jyrkänne, jyrkänteet",
            ),
            ("Swedish", "fara, faror, stig, stigar, brant"),
            ("Russian", "опасность, тропа, тропы, обрыв"),
            ("Portuguese", "perigo, trilho, trilha, risco, penhasco"),
        ],
        weak: &[
            ("English", "railway, rail, building, pipeline, path"),
            ("French", "bâtiment"),
            ("German", "gebäude"),
        ],
    },
    RoleWords {
        kind: LayerKind::PowerLines,
        strong: &[
            (
                "English",
                "power line, powerline, transmission line, electric line, power",
            ),
            ("French", "ligne électrique, lignes électriques, électrique"),
            (
                "Spanish",
                "línea eléctrica, líneas eléctricas, eléctrica, tendido eléctrico",
            ),
            ("German", "stromleitung, freileitung, hochspannung"),
            ("Finnish", "sähkölinja, voimalinja, voimajohto, sähköjohto"),
            ("Swedish", "kraftledning, elledning"),
            ("Russian", "лэп, электролиния"),
            ("Portuguese", "linha elétrica, linhas elétricas, elétrica"),
        ],
        weak: &[
            ("English", "transmission, utility, electric"),
            ("German", "leitung"),
            ("Swedish", "ledning"),
        ],
    },
    RoleWords {
        kind: LayerKind::Stands,
        strong: &[
            (
                "English",
                "stand, forest inventory, forest cover, timber type",
            ),
            ("French", "peuplement, écoforestier, inventaire forestier"),
            ("Spanish", "rodal, inventario forestal, masa forestal"),
            ("German", "bestand, bestände, bestaende, forsteinrichtung"),
            (
                "Finnish",
                "kuvio, kuviot, metsikkö, metsiköt, metsävarakuvio",
            ),
            ("Swedish", "bestånd, avdelning, avdelningar"),
            ("Russian", "выдел, выделы, таксация"),
            ("Portuguese", "povoamento, inventário florestal"),
        ],
        weak: &[
            ("English", "forest, inventory, timber, cover"),
            ("French", "forêt"),
            ("German", "wald"),
            ("Finnish", "metsä"),
            ("Swedish", "skog"),
            ("Russian", "лес"),
            ("Portuguese", "parcela"),
        ],
    },
    RoleWords {
        kind: LayerKind::Landings,
        strong: &[
            ("English", "landing, deck, roadside storage"),
            ("French", "jetée, aire d'empilement, dépôt de bois"),
            ("Spanish", "cargadero, acopio, cancha de acopio"),
            ("German", "polter, polterplatz, holzlagerplatz, lagerplatz"),
            ("Finnish", "varasto, varastopaikka, varastopaikat"),
            ("Swedish", "avlägg, upplag, upplagsplats"),
            ("Russian", "погрузочный пункт, погрузочная площадка, склад"),
            ("Portuguese", "carregadouro, estaleiro"),
        ],
        weak: &[],
    },
    RoleWords {
        kind: LayerKind::Crossings,
        strong: &[
            ("English", "crossing, bridge, culvert, ford"),
            ("French", "traverse, traversée, pont, ponceau, gué"),
            ("Spanish", "cruce, puente, vado, alcantarilla"),
            ("German", "überfahrt, brücke, furt, durchlass"),
            ("Finnish", "ylitys, ylitykset, silta, sillat, rumpu, rummut"),
            ("Swedish", "överfart, överfarter, bro, broar, trumma"),
            ("Russian", "переезд, мост, мосты, брод"),
            ("Portuguese", "travessia, ponte, passagem hidráulica"),
        ],
        weak: &[],
    },
    RoleWords {
        kind: LayerKind::Settings,
        strong: &[("English", "settings, yarding setting")],
        weak: &[],
    },
    RoleWords {
        kind: LayerKind::StripLines,
        strong: &[("English", "strip line, strip")],
        weak: &[],
    },
    RoleWords {
        kind: LayerKind::SlopeClasses,
        strong: &[
            ("English", "slope class, slope"),
            ("French", "classe de pente, classes de pente, pente"),
            ("Spanish", "clase de pendiente, pendiente"),
            ("German", "hangneigung, neigungsklasse"),
            ("Finnish", "kaltevuus, kaltevuusluokka"),
            ("Swedish", "lutning, lutningsklass"),
            ("Russian", "уклон, уклоны"),
            ("Portuguese", "declive, declividade"),
        ],
        weak: &[],
    },
    RoleWords {
        kind: LayerKind::Soils,
        strong: &[
            ("English", "soil"),
            ("French", "pédologie, dépôt de surface, dépôts de surface"),
            ("Spanish", "suelo"),
            ("German", "boden, böden, bodenkarte"),
            ("Finnish", "maaperä, maalaji"),
            ("Swedish", "jordart, jordarter"),
            ("Russian", "почва, почвы"),
            ("Portuguese", "solo"),
        ],
        weak: &[("French", "sol")],
    },
    RoleWords {
        kind: LayerKind::Felled,
        strong: &[
            (
                "English",
                "felled, harvested, logged, as cut, cut over, cutover, clearcut",
            ),
            ("French", "récolté, coupe réalisée, coupes réalisées"),
            ("Spanish", "talado, cosechado"),
            ("German", "kahlschlag, eingeschlagen"),
            ("Finnish", "hakattu, hakatut"),
            ("Swedish", "avverkat, avverkad, hygge, hyggen"),
            ("Russian", "вырубка, вырубки"),
            ("Portuguese", "cortado, colhido"),
        ],
        weak: &[],
    },
];

/// Names of rasters of elevations.
pub(super) const TERRAIN: &[InLanguage] = &[
    (
        "English",
        "dem, dtm, elevation, terrain, height model, altitude, srtm, bare earth",
    ),
    (
        "French",
        "mnt, mne, altitude, relief, modèle numérique de terrain",
    ),
    ("Spanish", "mdt, mde, elevación, relieve, modelo digital"),
    ("German", "dgm, höhenmodell, hoehenmodell, gelände"),
    ("Finnish", "korkeusmalli, korkeus"),
    ("Swedish", "höjdmodell, höjddata, höjd"),
    ("Russian", "рельеф, высота, цмр"),
    ("Portuguese", "mdt, elevação, altimetria, relevo"),
];

/// Names of layers that say where somebody works and not what is there.
pub(super) const NO_ROLE: &[InLanguage] = &[(
    "English",
    "aoi, area of interest, study area, extent, index, grid, graticule, district, municipality, county, tenure, label, note, notes",
)];

/// What an attribute is for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Meaning {
    Id,
    Class,
    Width,
    ClearedWidth,
    Distance,
    Stems,
    TreeVolume,
    TreeHeight,
    Slope,
    Voltage,
    Azimuth,
    Order,
}

pub(super) const MEANINGS: &[(Meaning, &[InLanguage])] = &[
    (
        Meaning::Id,
        &[
            (
                "English",
                "id, number, no, nr, key, code, block, block id, blockid, fid, objectid, gid, ident",
            ),
            ("French", "identifiant, numéro, num, no"),
            ("Spanish", "identificador, número, clave"),
            ("German", "nummer, kennung, kennzahl"),
            ("Finnish", "tunnus, numero, tunniste"),
            ("Swedish", "nummer, beteckning"),
            ("Russian", "номер, код"),
            ("Portuguese", "identificador, número, código"),
        ],
    ),
    (
        Meaning::Class,
        &[
            ("English", "class, type, kind, category, riparian, cls, typ"),
            ("French", "classe, type, catégorie"),
            ("Spanish", "clase, tipo, categoría"),
            ("German", "klasse, typ, art, kategorie"),
            ("Finnish", "luokka, laji, tyyppi"),
            ("Swedish", "klass, typ, slag"),
            ("Russian", "класс, тип, вид"),
            ("Portuguese", "classe, tipo, categoria"),
        ],
    ),
    (
        Meaning::ClearedWidth,
        &[
            (
                "English",
                "cleared, clearing, right of way, rightofway, row width, cleared width",
            ),
            ("French", "emprise, déboisé, largeur emprise"),
            ("Spanish", "faja, derecho de vía"),
            ("German", "trassenbreite, lichtraum"),
            ("Finnish", "tieaukko, tieaukon leveys"),
            ("Swedish", "väggata, vägområde"),
            ("Russian", "просека, полоса отвода"),
            ("Portuguese", "faixa, faixa de domínio"),
        ],
    ),
    (
        Meaning::Width,
        &[
            ("English", "width, channel width, bankfull"),
            ("French", "largeur"),
            ("Spanish", "ancho, anchura"),
            ("German", "breite"),
            ("Finnish", "leveys"),
            ("Swedish", "bredd"),
            ("Russian", "ширина"),
            ("Portuguese", "largura"),
        ],
    ),
    (
        Meaning::Distance,
        &[
            ("English", "dist, distance, buffer, setback"),
            ("French", "distance, recul"),
            ("Spanish", "distancia, retiro"),
            ("German", "abstand"),
            ("Finnish", "etäisyys, suojaetäisyys"),
            ("Swedish", "avstånd"),
            ("Russian", "расстояние"),
            ("Portuguese", "distância"),
        ],
    ),
    (
        Meaning::Stems,
        &[
            (
                "English",
                "stems ha, stems per ha, stems, trees ha, trees per ha, tph, sph",
            ),
            ("French", "tiges ha, tiges, densité"),
            ("Spanish", "pies ha, árboles ha, densidad"),
            ("German", "stammzahl, n ha"),
            ("Finnish", "runkoluku"),
            ("Swedish", "stamantal, stammar"),
            ("Russian", "число стволов, густота"),
            ("Portuguese", "árvores ha, densidade"),
        ],
    ),
    (
        Meaning::TreeVolume,
        &[
            (
                "English",
                "tree m3, tree volume, piece size, mean tree volume, vol per tree",
            ),
            ("French", "volume tige, m3 tige, vmt"),
            ("Spanish", "volumen árbol, volumen medio"),
            ("German", "stückmasse, mittelstamm"),
            ("Finnish", "rungon tilavuus, keskijäreys, järeys"),
            ("Swedish", "medelstam, stamvolym"),
            ("Russian", "объём хлыста, объем хлыста"),
            ("Portuguese", "volume médio, volume árvore"),
        ],
    ),
    (
        Meaning::TreeHeight,
        &[
            ("English", "height, top height, height m"),
            ("French", "hauteur"),
            ("Spanish", "altura"),
            ("German", "höhe, oberhöhe, hoehe"),
            ("Finnish", "pituus, keskipituus, valtapituus"),
            ("Swedish", "höjd, medelhöjd, övre höjd"),
            ("Russian", "высота"),
            ("Portuguese", "altura"),
        ],
    ),
    (
        Meaning::Slope,
        &[
            ("English", "slope, slope class, gradient"),
            ("French", "pente"),
            ("Spanish", "pendiente"),
            ("German", "neigung, hangneigung"),
            ("Finnish", "kaltevuus"),
            ("Swedish", "lutning"),
            ("Russian", "уклон"),
            ("Portuguese", "declive, declividade"),
        ],
    ),
    (
        Meaning::Voltage,
        &[
            ("English", "voltage, kv, volts"),
            ("French", "tension"),
            ("Spanish", "tensión, voltaje"),
            ("German", "spannung"),
            ("Finnish", "jännite"),
            ("Swedish", "spänning"),
            ("Russian", "напряжение"),
            ("Portuguese", "tensão"),
        ],
    ),
    (
        Meaning::Azimuth,
        &[
            ("English", "azimuth, bearing"),
            ("French", "azimut"),
            ("Spanish", "azimut"),
            ("German", "azimut"),
            ("Finnish", "atsimuutti"),
            ("Swedish", "bäring"),
            ("Russian", "азимут"),
            ("Portuguese", "azimute"),
        ],
    ),
    (
        Meaning::Order,
        &[
            ("English", "order, first, sequence"),
            ("French", "ordre"),
            ("Spanish", "orden"),
            ("German", "reihenfolge"),
            ("Finnish", "järjestys"),
            ("Swedish", "ordning"),
            ("Russian", "порядок"),
            ("Portuguese", "ordem"),
        ],
    ),
];

/// A name as single words: letters of all scripts as plain Latin ones, small, parted at signs, digits and capitals.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Name {
    pub tokens: Vec<String>,
}

impl Name {
    pub fn new(text: &str) -> Name {
        let mut tokens = Vec::new();
        let mut token = String::new();
        let mut before: Option<char> = None;
        for sign in text.chars() {
            let splits = !sign.is_alphanumeric()
                || before.is_some_and(|before| {
                    (before.is_lowercase() && sign.is_uppercase())
                        || before.is_numeric() != sign.is_numeric()
                });
            if splits && !token.is_empty() {
                tokens.push(plain(&token));
                token.clear();
            }
            if sign.is_alphanumeric() {
                token.push(sign);
            }
            before = sign.is_alphanumeric().then_some(sign);
        }
        if !token.is_empty() {
            tokens.push(plain(&token));
        }
        Name { tokens }
    }

    /// How well a word, or several in a row, stands in the name, 0 to 1.
    fn holds(&self, word: &Name) -> f64 {
        let run = word.tokens.len();
        let whole = self.tokens.windows(run).any(|window| {
            let mut pairs = window.iter().zip(&word.tokens);
            pairs.all(|(own, wanted)| is_plural_or_same(own, wanted))
        });
        if whole {
            return 1.0;
        }
        // Compounds, and names written without a gap.
        let wanted = word.tokens.concat();
        let inside = |token: &String| token.contains(&wanted);
        let joined = self.tokens.concat();
        if wanted.len() >= 5
            && (self.tokens.iter().any(inside) || (run > 1 && joined.contains(&wanted)))
        {
            return 0.8;
        }
        0.0
    }
}

/// Whether a word is another, or it with an ending of one or two letters.
fn is_plural_or_same(own: &str, wanted: &str) -> bool {
    own == wanted
        || (wanted.len() >= 4 && own.strip_prefix(wanted).is_some_and(|rest| rest.len() <= 2))
}

fn plain(text: &str) -> String {
    deunicode::deunicode(text)
        .to_lowercase()
        .replace(|sign: char| !sign.is_ascii_alphanumeric(), "")
}

/// A word that was found in a name.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Heard {
    pub word: &'static str,
    pub language: &'static str,
    /// 0 to 1.
    pub fit: f64,
}

/// The word of a list that stands in the name best.
pub(super) fn heard(name: &Name, list: &'static [InLanguage]) -> Option<Heard> {
    let mut best: Option<Heard> = None;
    for (language, words) in list {
        for word in words.split(", ") {
            let fit = name.holds(&Name::new(word));
            if fit > best.as_ref().map_or(0.0, |best| best.fit) {
                best = Some(Heard {
                    word,
                    language,
                    fit,
                });
            }
        }
    }
    best
}

/// What a name says of a role.
pub(super) fn of_role(name: &Name, words: &RoleWords) -> Option<(Strength, Heard)> {
    let strong = heard(name, words.strong).map(|heard| (Strength::Strong, heard));
    strong.or_else(|| heard(name, words.weak).map(|heard| (Strength::Weak, heard)))
}

/// The role that a single value of an attribute names, such as `lake` or `étang`.
pub(super) fn role_of_value(value: &str, among: &[LayerKind]) -> Option<LayerKind> {
    let name = Name::new(value);
    let found = |strength: Strength| {
        ROLES.iter().find(|words| {
            among.contains(&words.kind)
                && of_role(&name, words)
                    .is_some_and(|(own, heard)| own == strength && heard.fit == 1.0)
        })
    };
    found(Strength::Strong).map(|words| words.kind)
}

/// How well an attribute's name says that it means this.
pub(super) fn means(name: &Name, meaning: Meaning) -> Option<Heard> {
    let (_, list) = MEANINGS.iter().find(|(own, _)| *own == meaning)?;
    heard(name, list)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_fall_apart_at_signs_digits_and_capitals() {
        let tokens = |text: &str| Name::new(text).tokens;
        assert_eq!(tokens("CutBlocks_2031"), ["cut", "blocks", "2031"]);
        assert_eq!(tokens("ROAD_WIDTH"), ["road", "width"]);
        assert_eq!(tokens("cours d'eau"), ["cours", "d", "eau"]);
        assert_eq!(tokens("Лесосеки 2030")[1], "2030");
        assert_eq!(tokens("Bäche"), tokens("bäche"));
        assert!(tokens("--").is_empty());
    }

    /// Names as national agencies and forest companies of eight languages give them to layers of this kind.
    #[test]
    fn common_names_of_eight_languages_mean_their_role() {
        for (text, wanted) in [
            ("cutblocks_2031", LayerKind::Blocks),
            ("Hiebsflächen", LayerKind::Blocks),
            ("leimikot", LayerKind::Blocks),
            ("Лесосеки", LayerKind::Blocks),
            ("talhoes", LayerKind::Blocks),
            ("cours_eau_l", LayerKind::Streams),
            ("arroyos", LayerKind::Streams),
            ("vattendrag", LayerKind::Streams),
            ("purot", LayerKind::Streams),
            ("Ручьи", LayerKind::Streams),
            ("Étangs", LayerKind::Lakes),
            ("jarvet", LayerKind::Lakes),
            ("zones_humides", LayerKind::Wetlands),
            ("våtmarker", LayerKind::Wetlands),
            ("caminos", LayerKind::Roads),
            ("Forstwege", LayerKind::Roads),
            ("metsäautotiet", LayerKind::Roads),
            ("naturreservat", LayerKind::Protected),
            ("kraftledningar", LayerKind::PowerLines),
            ("peuplements", LayerKind::Stands),
            ("povoamentos", LayerKind::Stands),
            ("Böden", LayerKind::Soils),
            ("soft_ground", LayerKind::SoftGround),
            ("strip_lines", LayerKind::StripLines),
        ] {
            let name = Name::new(text);
            let strong = |words: &&RoleWords| {
                of_role(&name, words).is_some_and(|(strength, _)| strength == Strength::Strong)
            };
            let kinds: Vec<LayerKind> = ROLES
                .iter()
                .filter(strong)
                .map(|words| words.kind)
                .collect();
            assert_eq!(kinds, [wanted], "{text}");
        }
    }

    #[test]
    fn short_words_are_no_part_of_others() {
        for text in ["seedlings", "properties", "garden", "abstract_x"] {
            let name = Name::new(text);
            let any = ROLES.iter().any(|words| of_role(&name, words).is_some());
            assert!(!any, "{text}");
        }
    }

    #[test]
    fn every_role_has_words() {
        for kind in LayerKind::ALL {
            assert!(ROLES.iter().any(|words| words.kind == kind), "{kind:?}");
        }
    }
}
