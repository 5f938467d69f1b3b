//! Findings and rows of the judges in French. They are said in English where they are found; here they are matched as templates.
//! Names, ids and titles of rules stay as they are.

use std::borrow::Cow;

use super::sentences::{Pair, translated};
use crate::model::Language;

/// The first that fits is taken: what is said of one thing stands before what is put together from several.
const SENTENCES: &[Pair] = &[
    // Findings of a layout.
    (
        "no way on open ground leads to {} (part {}, strip {}, piece {}) from the work before it; see in the field how the machine gets there",
        "aucun trajet sur terrain ouvert ne mène à {} (secteur {}, bande {}, morceau {}) depuis le travail d’avant ; voir sur le terrain \
         comment la machine y arrive",
    ),
    (
        "no clear place for {} m³ of wood of {} (part {}, strip {}, piece {}); it must be carried off at once",
        "pas de place libre pour {} m³ de bois de {} (secteur {}, bande {}, morceau {}) ; il faut l’emporter aussitôt",
    ),
    (
        "moves by road: {}, to settings or road clearings that no open ground leads to by then; the machine goes round by roads or is \
         carried, {} m at least in a straight line, which is in no hours and no travel",
        "déplacements par la route : {}, vers des secteurs ou emprises de chemin auxquels aucun terrain ouvert ne mène alors ; la machine fait \
         le tour par la route ou est transportée, {} m au moins à vol d’oiseau, qui ne sont dans aucune heure ni aucun trajet",
    ),
    (
        "strips longer than {} m: {}, the longest {} m; a line across them would leave a setting below least_setting",
        "bandes de plus de {} m : {}, la plus longue {} m ; les couper d’une ligne laisserait un secteur sous least_setting",
    ),
    (
        "sections that take more than {} scheduled hours: {}, the longest {} h; too little is driven in them to divide them",
        "sections de plus de {} heures planifiées : {}, la plus longue {} h ; on y roule trop peu pour les diviser",
    ),
    (
        "{} ha with {} m3 are cut off from every road and landing by ground that no machine may drive on, and left unworked",
        "{} ha, {} m³, sont coupés de tout chemin et de toute aire par un terrain où aucune machine ne roule, et laissés",
    ),
    (
        "{} ha are cut off from every road and landing by ground that no machine may drive on, and left unworked",
        "{} ha sont coupés de tout chemin et de toute aire par un terrain où aucune machine ne roule, et laissés",
    ),
    (
        "{} smaller pieces of ground are cut off in the same way, together {}; none is larger than {} ha",
        "{} terrains plus petits sont coupés de la même façon, ensemble {} ; aucun ne dépasse {} ha",
    ),
    ("{} ha with {} m3", "{} ha, {} m³"),
    (
        "a crossing of {} m, as drawn, would open it",
        "un passage de {} m, tel que dessiné, l’ouvrirait",
    ),
    (
        "only a neck narrower than the machine leads there",
        "seul un passage plus étroit que la machine y mène",
    ),
    (
        "no road or landing is near",
        "aucun chemin ni aucune aire n’est proche",
    ),
    (
        "decks along {} need {} m of roadside, and there are {} m: deck the wood deeper or higher, haul while it is felled, or name a landing",
        "les piles le long de {} demandent {} m de bord de route, et il y en a {} m : empiler plus profond ou plus haut, transporter pendant \
         l’abattage, ou nommer une aire",
    ),
    (
        "{} m3 of the block come to landing {}, which holds {} m3: haul while it is felled, or give part of the ground another outlet",
        "{} m³ du bloc vont à l’aire {}, qui en tient {} m³ : transporter pendant l’abattage, ou donner une autre sortie à une partie du terrain",
    ),
    (
        "{} trees with {} m3 in {} section(s) are thicker than the {} cm that the head cuts at once: each takes several cuts, daylight and \
         room; {} times the time of another tree is counted",
        "{} arbres, {} m³ dans {} section(s), dépassent les {} cm que la tête coupe d’un coup : chacun demande plusieurs coupes, la lumière du \
         jour et de la place ; on compte {} fois le temps d’un autre arbre",
    ),
    (
        "no stand table says how thick {} trees are: all of them are taken to be cut, and which would stay, be lost in the path or need \
         several cuts is not known",
        "aucune table de peuplement ne dit la grosseur de {} arbres : tous sont comptés comme coupés ; lesquels resteraient, seraient perdus \
         sur le passage ou demanderaient plusieurs coupes, on ne le sait pas",
    ),
    (
        "no roads and no landings are given: where the wood of setting {} goes is not known",
        "ni chemins ni aires ne sont donnés : on ne sait pas où va le bois du secteur {}",
    ),
    (
        "no road and no landing is in reach of setting {}: its wood has nowhere to go",
        "aucun chemin ni aucune aire à portée du secteur {} : son bois n’a nulle part où aller",
    ),
    (
        "setting {} has no road frontage: its wood crosses other ground to the nearest road or landing",
        "le secteur {} n’a pas de front de route : son bois traverse d’autre terrain jusqu’au chemin ou à l’aire le plus proche",
    ),
    (
        "nobody says how roads may be used ({}): taken as open to machines and to decks of wood, and still to be cleared",
        "personne ne dit comment les chemins peuvent servir ({}) : pris comme ouverts aux machines et aux piles de bois, l’emprise restant à couper",
    ),
    (
        "road {}: {} ({}) asks for trees beside it, and the road band of common practice ({} m) for none: the rule goes before, and there \
         is no road band beside this road",
        "chemin {} : {} ({}) demande des arbres à côté, et la bordure sans arbres de la pratique courante ({} m) n’en veut pas : la règle passe \
         avant, et ce chemin n’a pas de telle bordure",
    ),
    (
        "{} ha were cut before this plan: strips keep their numbers, and lines, order, wood and hours are those of the rest",
        "{} ha ont été coupés avant ce plan : les bandes gardent leurs numéros ; lignes, ordre, bois et heures sont ceux du reste",
    ),
    (
        "{} m2 of corridors, patches and bands that were to stay are cut; {}",
        "{} m² de corridors, d’îlots et de bordures qui devaient rester sont coupés ; {}",
    ),
    (
        "{} m2 of what was cut lie in reserves; `audit --as-cut` says where and how deep",
        "{} m² de ce qui a été coupé sont dans des réserves ; `audit --as-cut` dit où et de combien",
    ),
    (
        "{} m2 of corridors, patches and bands lie on ground that came to be kept later; {}",
        "{} m² de corridors, d’îlots et de bordures sont sur un terrain qui a été gardé plus tard ; {}",
    ),
    (
        "shares are of what really stands",
        "les parts sont celles de ce qui est vraiment debout",
    ),
    (
        "it is reserve now, or no part of the block",
        "c’est maintenant une réserve, ou ce n’est plus du bloc",
    ),
    (
        "{} section(s) with {} hours lie beyond what the time model {} holds for ({}), the farthest with {}",
        "{} section(s) de {} heures sortent du domaine du modèle de temps {} ({}), la plus éloignée avec {}",
    ),
    (
        "trees of {} m3 on average",
        "des arbres de {} m³ en moyenne",
    ),
    ("slopes of {} %", "des pentes de {} %"),
    (
        "nobody says how large {} trees are: their time is that of trees of {} m3 (assumed), and their volume is not known; give `tree_m3` \
         under [production] or of [layers.stands]",
        "personne ne dit la taille de {} arbres : leur temps est celui d’arbres de {} m³ (supposé), et leur volume n’est pas connu ; donner \
         `tree_m3` sous [production] ou [layers.stands]",
    ),
    (
        "{}, feature {}: the rulebook has no line for {}; only the feature itself is kept{}",
        "{}, objet {} : le recueil de règles n’a pas de ligne pour {} ; seul l’objet lui-même est gardé{}",
    ),
    (
        "{}, feature {}: a hazard of class `{}` gets daylight and no ground on which nobody works; give it to role `retain`",
        "{}, objet {} : un danger de classe « {} » reçoit la lumière du jour, mais aucun terrain où personne ne travaille ; le donner au rôle `retain`",
    ),
    (
        "{}, feature {}: a hazard of class `{}` gets daylight and no limit of approach; give it to role `power_lines` with its voltage",
        "{}, objet {} : un danger de classe « {} » reçoit la lumière du jour, mais aucune limite d’approche ; le donner au rôle `power_lines`, avec \
         sa tension",
    ),
    (
        "strips have new names, and what stands between strips that are cut is not known to this plan: {}",
        "les bandes ont de nouveaux noms, et ce plan ne connaît pas ce qui reste debout entre les bandes coupées : {}",
    ),
    (
        "{} knows {} % of the ground to be felled; on the rest the figures of stands and of [production] are taken",
        "{} connaît {} % du terrain à abattre ; sur le reste, on prend les valeurs des peuplements et de [production]",
    ),
    (
        "{} ha are steeper than {} and left out, and {} ha beside them, so that a machine can follow the edge",
        "{} ha dépassent {} de pente et sont laissés, et {} ha à côté, pour qu’une machine puisse suivre le bord",
    ),
    (
        "{} ha are steeper than {} and left out",
        "{} ha dépassent {} de pente et sont laissés",
    ),
    (
        "the machine maker's limit and local rules come first",
        "la limite du fabricant de la machine et les règles locales passent avant",
    ),
    ("fixed by hand: {}", "fixé à la main : {}"),
    (
        "felling and skidding take {} h, and {} h by the free choice ({} h, {} %)",
        "abattage et débardage prennent {} h, et {} h au choix libre ({} h, {} %)",
    ),
    (
        "what that costs beside the free choice is not known, since hours are not",
        "on ne sait pas ce que cela coûte à côté du choix libre, faute d’heures",
    ),
    (
        "{}, feature {}: class {} is not in the rulebook",
        "{}, objet {} : la classe {} n’est pas dans le recueil de règles",
    ),
    (
        "{}, feature {}: it has no class, and what is known of it tells none",
        "{}, objet {} : sans classe, et rien de ce qu’on en sait n’en donne une",
    ),
    (
        "give its class, or the facts that tell one",
        "donnez sa classe, ou les faits qui la donnent",
    ),
    ("give its width", "donnez sa largeur"),
    (
        "the widest line, {}, stands in",
        "la ligne la plus large, {}, la remplace",
    ),
    (
        "{}, feature {}: class {} is given, but {} makes it {} by the rulebook's own definition",
        "{}, objet {} : la classe {} est donnée, mais d’après {}, ce serait {} selon la définition du recueil",
    ),
    ("the class given stands", "la classe donnée vaut"),
    (
        "{}, feature {}: no channel width",
        "{}, objet {} : largeur du lit inconnue",
    ),
    (
        "half of the class's widest channel, {} m, stands in",
        "la moitié du lit le plus large de la classe, {} m, la remplace",
    ),
    (
        "nothing is cut or driven within {} m of the line",
        "rien n’est coupé ni parcouru à moins de {} m de la ligne",
    ),
    (
        "{}, feature {}: the width of class {} is known from memory only",
        "{}, objet {} : la largeur de la classe {} n’est connue que de mémoire",
    ),
    (
        "{}, feature {}: the share of the management zone of class {}, {} %, is known from memory only",
        "{}, objet {} : la part de la zone de gestion de la classe {}, {} %, n’est connue que de mémoire",
    ),
    (
        "{}, feature {}: no slope is known along it{}",
        "{}, objet {} : aucune pente n’est connue le long de lui{}",
    ),
    (
        "the widest width stands in",
        "la plus grande largeur la remplace",
    ),
    (
        "the management zone's {} cannot stand {}",
        "la zone de gestion : {} ne peut rester debout {}",
    ),
    ("share", "sa part"),
    ("number of trees", "son nombre d’arbres"),
    (
        "outside the road band and the ways to crossings",
        "hors de la bordure de chemin et des trajets vers les passages",
    ),
    (
        "outside the ways to crossings",
        "hors des trajets vers les passages",
    ),
    ("outside the road band", "hors de la bordure de chemin"),
    ("on the ground that is there", "sur le terrain qu’il y a"),
    // Titles of rows.
    (
        "Share of the management zone left standing, {}",
        "Part de la zone de gestion laissée debout, {}",
    ),
    ("Retention share", "Part de rétention"),
    ("Retention share of {}", "Part de rétention de {}"),
    (
        "all blocks of no portfolio",
        "tous les blocs sans portefeuille",
    ),
    (
        "Retention share, in patches larger than {} ha",
        "Part de rétention, en îlots de plus de {} ha",
    ),
    (
        "No retention in the road band",
        "Aucune rétention dans la bordure de chemin",
    ),
    (
        "Nothing cut or driven within the reserve, {}",
        "Rien n’est coupé ni parcouru dans la réserve, {}",
    ),
    (
        "No machine on excluded ground, {}",
        "Aucune machine sur terrain interdit, {}",
    ),
    (
        "Nothing cut outside the block",
        "Rien n’est coupé hors du bloc",
    ),
    (
        "Nothing driven on ground steeper than the machine may go",
        "Aucun trajet sur un terrain plus raide que la machine ne le peut",
    ),
    (
        "Corridors no narrower than set",
        "Corridors pas plus étroits que demandé",
    ),
    (
        "Corridors no wider than set",
        "Corridors pas plus larges que demandé",
    ),
    (
        "Corridors as many trees wide as asked",
        "Corridors larges d’autant d’arbres que demandé",
    ),
    (
        "Strips no wider than the machine reaches, less its margin",
        "Bandes pas plus larges que la machine ne porte, marge déduite",
    ),
    (
        "Everything cut lies within the machine's reach of a line it drives",
        "Tout ce qui est coupé est à portée d’un axe que la machine parcourt",
    ),
    (
        "No stream cut or driven through where no crossing is mapped, counted from the line as drawn",
        "Aucun cours d’eau coupé ni traversé où aucun passage n’est cartographié, compté de la ligne telle que dessinée",
    ),
    (
        "Nothing night-safe nearer to a hazard than set",
        "Rien de permis de nuit plus près d’un danger que demandé",
    ),
    (
        "Nothing night-safe on brush or soft ground",
        "Rien de permis de nuit dans les broussailles ou sur sol mou",
    ),
    (
        "Nothing night-safe on ground steeper than the night limit, or of unknown slope",
        "Rien de permis de nuit sur une pente au-delà de la limite de nuit, ou inconnue",
    ),
    (
        "Nothing night-safe on ground that may be wet, or of which nobody knows",
        "Rien de permis de nuit sur un sol peut-être mouillé, ou que nul ne connaît",
    ),
    (
        "Nothing night-safe nearer to boundary, reserves and ground left out than set, where no boundary pass lies between",
        "Rien de permis de nuit plus près de la limite, des réserves et du terrain laissé que demandé, où aucune passe de périmètre n’est entre deux",
    ),
    (
        "Largest piece of ground felled in one, corridors in it included: at most",
        "Plus grand terrain abattu d’un tenant, corridors compris : au plus",
    ),
    // What an audit says of a row.
    (
        "short by {} ± {}, beyond doubt at {}",
        "il manque {} ± {}, sans doute possible à {}",
    ),
    (
        "cannot be told at {}: short by {} ± {}",
        "impossible à trancher à {} : il manque {} ± {}",
    ),
    (
        "cannot be told: short by {} as drawn, but {}",
        "impossible à trancher : il manque {} d’après le dessin, mais {}",
    ),
    (
        "how far {} may lie from where it is mapped nobody says",
        "nul ne dit de combien {} peut être ailleurs que sur la carte",
    ),
    (
        "{} ± {} to spare, beyond doubt at {}",
        "{} ± {} de marge, sans doute possible à {}",
    ),
    (
        "holds as measured, {} ± {} to spare: not beyond doubt at {}",
        "respecté d’après la mesure, {} ± {} de marge : pas sans doute possible à {}",
    ),
    (
        "holds, but the rule is known from memory only",
        "respecté, mais la règle n’est connue que de mémoire",
    ),
    ("beyond tolerance", "au-delà de la tolérance"),
    (
        "short, but within tolerance",
        "il en manque, mais dans la tolérance",
    ),
    (
        "{} m too near to {}, feature {}, class {}",
        "{} m trop près de {}, objet {}, classe {}",
    ),
    (
        "{} m too near to {}, feature {}",
        "{} m trop près de {}, objet {}",
    ),
    (
        "as mapped; the map may be off by {}, which leaves {} m",
        "d’après la carte ; elle peut être fausse de {}, ce qui laisse {} m",
    ),
    (
        "cannot be told: a track does not say how far to its sides the machine cut; {} % stand if it cut all within reach, {} % if only what it drove over",
        "impossible à trancher : une trace ne dit pas jusqu’où la machine a coupé de côté ; {} % sont debout si elle a coupé tout ce qu’elle atteint, {} % si elle n’a coupé que là où elle a roulé",
    ),
    (
        "other ground that stands comes to {} m, and does not decide",
        "un autre terrain debout vient à {} m, et ne décide pas",
    ),
    (
        "Single trees found standing on ground that was cut",
        "Arbres isolés trouvés debout sur un terrain coupé",
    ),
    (
        "for information: {} trees for each hectare cut",
        "pour information : {} arbres par hectare coupé",
    ),
    (
        "cannot be told: a raster of change is a screening, in which nothing is seen that falls short",
        "impossible à trancher : une image de changement n’est qu’un dépistage, où l’on ne voit rien qui manque",
    ),
    (
        "cannot be told: no change is seen in this block, which does not prove that nothing was cut",
        "impossible à trancher : aucun changement n’est visible dans ce bloc, ce qui ne prouve pas que rien n’a été coupé",
    ),
    (
        "cannot be told: {} of the block lies outside the raster or on cells without a value, and nothing is taken for cut there",
        "impossible à trancher : {} du bloc est hors de l’image ou sur des cellules sans valeur, et rien n’y est pris pour coupé",
    ),
    (
        "changes smaller than {} m² left out: {}",
        "changements de moins de {} m² laissés de côté : {}",
    ),
    (
        "{} ha of change beside it, of pieces that lie mostly outside, are not taken for this block's",
        "{} ha de changement à côté, de morceaux qui sont surtout dehors, ne sont pas comptés à ce bloc",
    ),
    (
        "Measured with a tolerance of {} m.",
        "Mesuré avec une tolérance de {} m.",
    ),
    (
        "Nobody says how far what was cut may lie from where it was measured. {} m is taken, which is no published figure: no verdict is beyond doubt before --accuracy states it.",
        "Nul ne dit à quelle distance de l’endroit mesuré peut se trouver ce qui a été coupé. On prend {} m, qui n’est pas un chiffre publié : aucun verdict n’est hors de doute avant que --accuracy le dise.",
    ),
    (
        "What was cut is off by {} m at 95 %, {} m along any one direction as a standard error: {}",
        "Ce qui a été coupé est connu à {} m près à 95 %, {} m dans une direction quelconque en erreur type : {}",
    ),
    (
        "each corner or fix off by itself.",
        "chaque sommet ou point décalé à part.",
    ),
    (
        "all of a track or file off by the same.",
        "tout un tracé ou fichier décalé d’autant.",
    ),
    (
        "nobody says whether each corner is off by itself or all by the same, so that figures have whichever is less certain.",
        "nul ne dit si chaque sommet est décalé à part ou tous d’autant, et les chiffres ont ce qui est le moins certain.",
    ),
    (
        "How far what was cut may lie from where it was measured nobody says ({}): what falls short cannot be told.",
        "À quelle distance de l’endroit mesuré peut se trouver ce qui a été coupé, nul ne le dit ({}) : ce qui manque ne peut être tranché.",
    ),
    (
        "{} m² in all lie out of reach, too little for a stem",
        "{} m² en tout sont hors de portée, trop peu pour une tige",
    ),
    (
        "seen by a raster of change: a screening, to be looked at in the field",
        "vu sur une image de changement : un dépistage, à vérifier sur le terrain",
    ),
    (
        "Share of the block that the raster of change knows",
        "Part du bloc que l’image de changement connaît",
    ),
    (
        "No work on ground that is closed on that day",
        "Aucun travail sur un terrain fermé ce jour-là",
    ),
    (
        "cannot be told: {} min on ground of which nobody knows when it is open",
        "impossible à trancher : {} min sur un terrain dont nul ne sait quand il est ouvert",
    ),
    (
        "Driven away from every line, way and trail of the plan",
        "Roulé à l’écart de toute ligne, de tout trajet et de tout sentier du plan",
    ),
    (
        "beyond tolerance: up to {} m beside every line, way and trail of the plan, of {} m driven",
        "au-delà de la tolérance : jusqu’à {} m à côté de toute ligne, de tout trajet et de tout sentier du plan, sur {} m roulés",
    ),
    (
        "Lines of the plan that no track follows",
        "Lignes du plan qu’aucune trace ne suit",
    ),
    (
        "for information: {} m of lines are planned",
        "pour information : {} m de lignes sont prévus",
    ),
    (
        "Crossings driven over that the plan does not use",
        "Passages franchis que le plan n’emprunte pas",
    ),
    (
        "driven over although the plan has no way there: {}",
        "franchis alors que le plan n’y a pas de trajet : {}",
    ),
    ("driven over as planned: {}", "franchis comme prévu : {}"),
    (
        "planned and not driven over: {}",
        "prévus et non franchis : {}",
    ),
    ("cannot be told: {}", "impossible à trancher : {}"),
    // Put together from several.
    (
        "{} and {} more of the kind ({})",
        "{} et {} autres du même genre ({})",
    ),
    (
        "the rule is known from memory only",
        "la règle n’est connue que de mémoire",
    ),
    ("falls short of it", "reste en deçà"),
    ("{}: fail", "{} : non respecté"),
    ("{}: warn", "{} : à vérifier"),
    ("{}: unknown", "{} : indéterminé"),
];

/// A title, or what a judge says, in the language of its reader.
pub fn said(sentence: &str, language: Language) -> Cow<'_, str> {
    let told = match language {
        Language::English => None,
        Language::French => french(sentence),
    };
    told.map_or(Cow::Borrowed(sentence), Cow::Owned)
}

/// What a judge or a layout says, in French; None: nobody translated it.
pub fn french(sentence: &str) -> Option<String> {
    // Sentences in a row come before one whose last gap would take them all in.
    let row = sentence.split_once("; ").and_then(|(first, rest)| {
        let first = translated(SENTENCES, first, figures)?;
        // What nobody translated is better in English than all of it.
        let rest = french(rest).unwrap_or_else(|| figures(rest));
        Some(format!("{first} ; {rest}"))
    });
    row.or_else(|| translated(SENTENCES, sentence, figures))
}

/// A figure with its unit, as the language writes it.
pub fn figure(text: String, language: Language) -> String {
    match language {
        Language::English => text,
        Language::French => figures(&text),
    }
}

/// Numbers with a comma, square and cubic metres as they are printed. What is no number, as a strip's name, stays.
pub fn figures(text: &str) -> String {
    let word = |word: &str| {
        let trimmed = word.trim_matches(|sign: char| "();:,%±".contains(sign));
        let is_number = trimmed.contains('.')
            && trimmed
                .bytes()
                .all(|sign| sign.is_ascii_digit() || b".-".contains(&sign))
            && trimmed.parse::<f64>().is_ok();
        match trimmed {
            _ if is_number => word.replacen('.', ",", 1),
            "m2" => word.replace("m2", "m²"),
            "m3" => word.replace("m3", "m³"),
            _ => word.to_owned(),
        }
    };
    text.split(' ').map(word).collect::<Vec<_>>().join(" ")
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::outputs::sentences::{hold_gaps, joined};

    #[test]
    fn findings_keep_their_names_and_have_commas() {
        let said = |text| french(text).unwrap();
        assert_eq!(
            said(
                "no clear place for 2.1 m³ of wood of 2-10.1 (part 2, strip 10, piece 1); it must be carried off at once"
            ),
            "pas de place libre pour 2,1 m³ de bois de 2-10.1 (secteur 2, bande 10, morceau 1) ; il faut l’emporter aussitôt"
        );
        assert_eq!(
            said("Share of the management zone left standing, Stream S3: fail"),
            "Part de la zone de gestion laissée debout, Stream S3 : non respecté"
        );
        assert_eq!(
            said(
                "short by 3.00 m ± 2.24 m, beyond doubt at 95 %; 3.00 m too near to lakes.geojson:lakes, feature L-1"
            ),
            "il manque 3,00 m ± 2,24 m, sans doute possible à 95 % ; 3,00 m trop près de lakes.geojson:lakes, objet L-1"
        );
        assert_eq!(
            said(
                "0.50 ha are cut off from every road and landing by ground that no machine may drive on, and left unworked; no road or landing is near"
            ),
            "0,50 ha sont coupés de tout chemin et de toute aire par un terrain où aucune machine ne roule, et laissés ; aucun chemin ni aucune aire n’est proche"
        );
        assert_eq!(french("something else"), None);
        assert_eq!(
            figures("at (1.50, v1.2.3) 2-10.1 and 7.0 m2"),
            "at (1,50, v1.2.3) 2-10.1 and 7,0 m²"
        );
    }

    /// The sources hold every template: one that nobody says any more, or says otherwise, is found.
    #[test]
    fn every_sentence_is_one_that_the_program_says() {
        let sources = [
            include_str!("../layout/write_up.rs"),
            include_str!("../layout/steep.rs"),
            include_str!("../layout/by_hand.rs"),
            include_str!("../layout/ground.rs"),
            include_str!("../layout/bunches.rs"),
            include_str!("../layout/cut_off.rs"),
            include_str!("../layout/rest.rs"),
            include_str!("../layout/later.rs"),
            include_str!("../layout/made_up.rs"),
            include_str!("../layout/taken_out.rs"),
            include_str!("../layout/zones.rs"),
            include_str!("../layout/doubts.rs"),
            include_str!("../layout/danger_trees.rs"),
            include_str!("../layout/power_lines.rs"),
            include_str!("../layout/sorted_trees.rs"),
            include_str!("../layout/stands_unseen.rs"),
            include_str!("../layout/time_range.rs"),
            include_str!("../layout/tiers.rs"),
            include_str!("../layout/shifts.rs"),
            include_str!("../layout/necks.rs"),
            include_str!("../layout/mod.rs"),
            include_str!("../compliance/mod.rs"),
            include_str!("../compliance/areas.rs"),
            include_str!("../compliance/barrier.rs"),
            include_str!("../compliance/block_rules.rs"),
            include_str!("../compliance/decks.rs"),
            include_str!("../compliance/distances.rs"),
            include_str!("../compliance/night.rs"),
            include_str!("../compliance/portfolio.rs"),
            include_str!("../compliance/reach.rs"),
            include_str!("../audit/reach.rs"),
            include_str!("../compliance/road_band.rs"),
            include_str!("../compliance/slope.rs"),
            include_str!("../compliance/why_short.rs"),
            include_str!("../rulebook/trees.rs"),
            include_str!("audit.rs"),
            include_str!("../audit/row.rs"),
            include_str!("../audit/certainty.rs"),
            include_str!("../audit/map_error.rs"),
            include_str!("../audit/reserves.rs"),
            include_str!("../audit/road_band.rs"),
            include_str!("../audit/power_lines.rs"),
            include_str!("../audit/portfolio.rs"),
            include_str!("../audit/screening.rs"),
            include_str!("../audit/closed.rs"),
            include_str!("../audit/driven.rs"),
            include_str!("../audit/head.rs"),
            include_str!("../audit/stems.rs"),
            include_str!("../model/rule.rs"),
        ]
        .concat();
        let plain = joined(&sources);
        let mut unsaid: Vec<&str> = vec![];
        hold_gaps(SENTENCES);
        for (english, _) in SENTENCES {
            for piece in english.split("{}").flat_map(|piece| piece.split(", and")) {
                let piece = piece.trim_matches(|sign: char| " :;,().%±`".contains(sign));
                // What is put together from words.
                let starts = ["ha are ", "m3 are ", "Retention share, "];
                let start = starts
                    .into_iter()
                    .find_map(|start| piece.strip_prefix(start));
                let piece = start.unwrap_or(piece);
                let own = ["fail", "warn", "unknown"].contains(&piece);
                if !own && !plain.contains(piece) {
                    unsaid.push(piece);
                }
            }
        }
        assert_eq!(unsaid, Vec::<&str>::new());
    }
}
