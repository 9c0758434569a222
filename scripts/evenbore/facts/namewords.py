"""Words of file and folder names in English, German, French, Spanish and Italian, folded: lower case, no accents.

Common practice of those who name recordings, no source. A phrase of two words stands with a space between.
"""

from collections.abc import Collection

_DYNAMICS = {
    "pp": "pp pianissimo verysoft very_soft very_quiet sehr_leise ganz_leise tres_doux muy_suave molto_piano",
    "p": "p piano soft softly quiet quietly leise doux doucement suave",
    "mp": "mp mezzopiano mezzo_piano medium_soft halbleise",
    "mf": "mf mezzoforte mezzo_forte medium normal normale mittel mittellaut moyen medio",
    "f": "f forte loud loudly laut fort fuerte",
    "ff": "ff fortissimo veryloud very_loud sehr_laut ganz_laut tres_fort muy_fuerte molto_forte",
}
_ARTICULATIONS = {
    "slurred": "slurred slur legato gebunden lie ligado",
    "tongued": "tongued tongue detached staccato gestossen angestossen detache picado articulated",
}
_DIRECTIONS = {
    "up-down": "updown up_down auf_ab",
    "up": "up ascending asc rising aufwarts hinauf rauf montant montante ascendente subiendo salendo",
    "down": "down descending desc falling abwarts hinab runter descendant descendante descendente bajando",
}
_PATTERNS = {
    "chromatic": "chromatic chrom chromatisch chromatique cromatica cromatico",
    "major": "major dur majeur mayor maggiore",
    "passage": "passage melody excerpt melodie melodia stelle extrait",
}
# the first and the second state of the config
_STATES = {
    "0": "before found vorher vor avant antes prima",
    "1": "after nachher nach danach apres despues dopo",
}


def _lookup(of: dict[str, str]) -> dict[str, str]:
    return {word.replace("_", " "): value for value, words in of.items() for word in words.split()}


def _set(words: str) -> frozenset[str]:
    return frozenset(words.split())


PLAYING = {
    "dynamic": _lookup(_DYNAMICS),
    "articulation": _lookup(_ARTICULATIONS),
    "direction": _lookup(_DIRECTIONS),
    "pattern": _lookup(_PATTERNS),
    "state": _lookup(_STATES),
}
TAKE = _set("take tk t versuch prise toma presa essai intento prova tentativo try attempt durchgang")
AGAIN = _set("retake again redo repeat nochmal wiederholung wdh encore bis otra ancora")
# what a take was like, never what it is of
REMARKS = _set("bad good ok okay final best test squeak wrong falsch gut schlecht bon mauvais malo bueno buono cattivo")
NUMBERED_SESSION = _set("session sess s evening day tag abend sitzung seance jour sesion dia giorno sera")
SESSION_WORDS = NUMBERED_SESSION - {"s"} | _set(
    "morning afternoon night morgen vormittag nachmittag matin soir manana tarde mattina"
    " monday tuesday wednesday thursday friday saturday sunday mon tue wed thu fri sat sun"
    " montag dienstag mittwoch donnerstag freitag samstag sonntag lundi mardi mercredi jeudi vendredi samedi dimanche"
    " lunes martes miercoles jueves viernes sabado domingo lunedi martedi mercoledi giovedi venerdi sabato domenica"
    " hall room studio church stage rehearsal workshop shop saal raum zimmer probe probenraum kirche buhne werkstatt"
    " laden salle chambre eglise scene atelier sala iglesia taller aula chiesa palco laboratorio stanza"
)
# said of every recording, so of none
SAYS_NOTHING = _set(
    "scale scales tonleiter tonleitern gamme gammes escala escalas scala recording recordings rec aufnahme aufnahmen"
    " enregistrement enregistrements grabacion grabaciones registrazione registrazioni audio wav as setup und and"
)
# what recorders, phones, cameras and programs call a file or folder before anybody has named it
DEVICE = SAYS_NOTHING | _set(
    "new neue neuer neues nouvel nouveau nouvelle nueva nuevo nuova nuovo voice voices sprachmemo sprachaufnahme memo"
    " memos vocal voz voce nota notiz note track tracks spur piste pista file datei fichier archivo clip sound son"
    " sonido suono ton video film movie img mvi vid dsc pxl mov aud ptt wa msg take tk untitled unbenannt ohne titel"
    " sans titre sin titulo senza titolo copy kopie copie copia folder ordner dossier carpeta cartella media dcim"
    " stereo mono mix export card sd disc cd download downloads files mp3 m4a flac"
)
# kinds of instrument: a name of these words alone with a number is a number of an instrument, as a rule
KINDS = _set(
    "instrument instruments instrumente instrumento strumento clarinet clarinets klarinette clarinette clarinete"
    " clarinetto clar cl klar sax saxophone saxophon saxofon sassofono alto altsax tenor tenorsax soprano bari baritone"
    " flute flote querflote flauta flauto piccolo oboe hautbois bassoon fagott basson fagot fagotto trumpet trompete"
    " trompette trompeta tromba horn cor trombone posaune tuba euphonium bass bb eb no nr num number model modell unit"
    " sample candidate serial sn"
)

# Kinds of instrument as people call them, the words of a phrase in any order -> family; with a ? where the words leave
# room for another.
_FAMILIES = {
    "clarinet_b_flat": "clarinet clarinets klarinette klarinetten clarinette clarinete clarinetto b_clarinet"
    " bb_clarinet clarinet_flat b_klarinette",
    "clarinet_b_flat?": "a_clarinet a_klarinette e_clarinet es_klarinette eb_clarinet",
    "clarinet_alto": "alto_clarinet altklarinette",
    "clarinet_alto?": "alt_klarinette",  # alt: alto, or old
    "clarinet_bass_low_e_flat?": "bass_clarinet bassklarinette bass_klarinette clarinette_basse clarinete_bajo"
    " clarinetto_basso",
    "clarinet_bass_low_e_flat": "bass_clarinet_low_e_flat bass_clarinet_low_eb bass_clarinet_eb bassklarinette_tief_es"
    " bassklarinette_es bass_klarinette_tief_es",
    "clarinet_bass_low_c": "bass_clarinet_low_c bassklarinette_tief_c bassklarinette_c bass_klarinette_tief_c",
    "clarinet_contrabass": "contrabass_clarinet kontrabassklarinette",
    "saxophone_soprano": "soprano soprano_sax soprano_saxophone sopransax sopransaxophon sopran_sax sax_soprano",
    "saxophone_alto": "alto alto_sax alto_saxophone altsax altsaxophon sax_alto saxophone_alto",
    "saxophone_tenor": "tenor tenor_sax tenor_saxophone tenorsax tenorsaxophon sax_tenor saxophone_tenor",
    "saxophone_baritone_low_a": "bari bari_sax baritone_sax baritone_saxophone baritonsax bariton_sax sax_baryton",
    "saxophone_alto?": "sax saxophone saxophon saxofon sassofono alt_sax alt_saxophon",
    "piccolo": "piccolo pikkolo piccoloflote ottavino",
    "flute": "flute flutes flote querflote flauta flauto",
    "flute_alto": "alto_flute altflote",
    "flute_alto?": "alt_flote",
    "oboe": "oboe oboen hautbois",
    "cor_anglais": "cor_anglais english_horn englischhorn",
    "bassoon": "bassoon fagott basson fagot fagotto",
    "contrabassoon": "contrabassoon double_bassoon kontrafagott contrebasson",
    "trumpet_b_flat": "trumpet trompete trompette trompeta tromba",
    "horn_f": "horn waldhorn cor trompa corno",
    "trombone": "trombone posaune trombon",
    "euphonium": "euphonium euphonion",
    "tuba": "tuba",
}
FAMILY_PHRASES = {frozenset(phrase.split("_")): key for key, phrases in _FAMILIES.items() for phrase in phrases.split()}


def family_told(words: Collection[str]) -> str:
    """The family that folded words name, the phrase of most words counting; "" where none does, or several do.

    With a ? where the words leave room for another.

    >>> family_told({"yew", "bass", "clarinet"}), family_told({"bass", "clarinet", "low", "eb"}), family_told({"yew"})
    ('clarinet_bass_low_e_flat?', 'clarinet_bass_low_e_flat', '')
    >>> family_told({"flote", "grun", "alt"})
    'flute_alto?'
    """
    said = [(phrase, key) for phrase, key in FAMILY_PHRASES.items() if phrase <= set(words)]
    most = max((len(phrase) for phrase, _ in said), default=0)
    named = {key for phrase, key in said if len(phrase) == most}
    return named.pop() if len(named) == 1 else ""
