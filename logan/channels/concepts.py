"""Words of signal names, in several languages and abbreviations, and what they speak of."""

from __future__ import annotations

import re
from difflib import get_close_matches
from functools import lru_cache
from typing import Final

_WORDS: Final[dict[str, str]] = {
    # quantities
    "speed": "speed spd velocity vel velo geschwindigkeit geschw vitesse velocidad velocita hastighet snelheid speedo"
    " speedometer tacho tachometer vspeed vspd kph mph kmh wspd wss spped",
    "rotation": "rpm drehzahl drehz revs rev rotation rotational rotations regime giri upm omega nmot tours turns",
    "voltage": "voltage volt volts vlt vltg spannung spg tension tensione voltaje voltaggio spanning vdc vbat vbatt"
    " vbus udc ubat ubatt vpack upack potential voltages",
    "current": "current curr amp amps ampere amperes amperage strom courant corriente corrente stroom ibat ibatt idc"
    " ipack crnt crrnt currents",
    "power": "power pwr leistung puissance potencia potenza vermogen watts watt kw kilowatt consumption",
    "temperature": "temp temperature tmp temperatur temperatura tempr tmpr tmprt tempe degc celsius"
    " temps temperatures tem",
    "torque": "torque trq tq torq drehmoment moment couple par coppia koppel mom momento trqe",
    "pressure": "pressure press prs prss druck pression presion pressione bardruck prsr pres",
    "percent": "percent percentage pct prozent pourcent ratio duty pwm",
    "charge_amount": "ah amphours amphour capacity kapazitaet coulomb",
    "energy": "energy energie energia wh kwh",
    "resistance": "resistance widerstand impedance ohm ohms resistencia",
    "acceleration": "acceleration beschleunigung accelerometer acel accn accl beschl",
    "distance": "distance dist strecke wegstrecke trip tripmeter range reichweite",
    "position": "position pos posn stellung posit winkel",
    "flow": "flow volumeflow durchfluss debit volumenstrom",
    "humidity": "humidity feuchte feuchtigkeit rh humidite",
    # things
    "pack": "pack battery batt bat batterie bateria batteria baterie accu akku bms bmu bcu ress bem batterypack"
    " essential rechargeable bpcm becm battpack pck batterij"
    " hvbatt hvbat hvbattery traktionsbatterie tractionbattery",
    "high_voltage": "hv hvb hvbatt hvbat highvoltage highvolt hvbattery hochvolt traction traktionsbatterie hvlt hivolt"
    " tractionbattery hvbus highvltg",
    "bus": "bus link dclink dcbus rail zwischenkreis dcl",
    "cell": "cell cells zelle zellen cellule cellules celda celdas cella cel zell brick bricks cv",
    "module": "module modul modules mod",
    "motor": "motor mot emotor edrive edrv emachine maschine machine moteur drive drv traktion stator rotor winding"
    " emot mg mg1 mg2 tm em elmotor mcu drivemotor antrieb emasch mtr hybridmotor dmotor tmotor emo",
    "engine": "engine eng ect kurbelwelle crank crankshaft verbrennungsmotor ice brennkraft",
    "vehicle": "vehicle veh vehc vhcl vcl car fahrzeug fzg kfz vehicule vehiculo road ground fzgg v1",
    "wheel": "wheel whl wheels whls roue rueda ruota wiel rad wss",
    "inverter": "inverter inv umrichter wechselrichter pim igbt mosfet heatsink onduleur leistungselektronik lelek pcu"
    " powerstage controller inversor powermodule hsk",
    "gearbox": "gearbox transmission getriebe trans boite cambio reducer reduction diff differential axleoil trns",
    "oil": "oil oel ol huile aceite olio sump sumpf",
    "coolant": "coolant cool cooling kuehlmittel kuehlwasser kuehl kuehlung kuhlmittel water wasser clt coolnt wtr ect"
    " refroidissement refrigerante antifreeze radiator clnt coolt",
    "inlet": "inlet in eingang einlass vorlauf entree entrada input",
    "outlet": "outlet out ausgang auslass ruecklauf sortie salida output",
    "dcdc": "dcdc dc2dc dcdcconverter apm ldc gleichspannungswandler lvdc",
    "charger": "charger obc lader ladegeraet onboardcharger chargeur cargador obcm evse chrgr ladegerat",
    "wall": "ac mains wall grid netz line secteur acin",
    "heater": "heater heating heat heiz ptc heizung heizer chauffage calefaccion hvch htr riscaldamento waermer",
    "aircon": "ac aircon hvac compressor climate klima klimakompressor cmpr climatisation acc1 eac kompressor comp"
    " airconditioning ekomp aircond",
    "low_voltage": "12v lv aux auxiliary bordnetz niedervolt kl30 kl15 klemme30 starterbatterie lowvoltage 12volt nv"
    " ign pwrsup auxbatt lvbatt lvbat supply",
    "ambient": "ambient amb outside outdoor exterior ext aussen outsideair oat external umgebung umg aat exterieur"
    "  outsid outdr otsd otsair extern environment outsd",
    "cabin": "cabin interior insd innenraum incar inside cabinair interieur innen habitacle intr inchr passenger",
    "atmosphere": "barometer baro barometric barometrisch atmospheric luftdruck atm atmosphere atmos",
    "air": "air luft aire",
    "tyre": "tyre tire reifen tpms pneu pneumatico tires tyres tirepress rdk rdkp tpm wheeltire",
    "brake": "brake brk bremse bremsen brems frein freno braking mastercylinder mcyl hauptbremszylinder bremsdruck brks"
    " bbrk mc mcp hbz bls brakelight bremslicht",
    "pedal": "pedal ped pdl pedale pedals fahrpedal gaspedal pps accpedal aped apedpos",
    "accelerator": "accelerator accel throttle gas gaspedal fahrpedal app aps apps accped "
    " accpedal aped apedpos accelerateur acelerador acceleratore acclr gpedal throt thrtl drosselklappe"
    " accelrtr acclrtr accr ap tps",
    "switch": "switch sw schalter swi pressed active on apply applied touched contact stoplamp stoplight pressd"
    " betaetigt",
    "contactor": "contactor contactors relay relais schuetz schutz hauptschuetz contacteur rly k1 mainrelay rel",
    "isolation": "isolation insulation iso riso isolationswiderstand isol isolement leakage leak insul",
    "pump": "pump pumpe pompe bomba wp",
    "pilot": "pilot controlpilot evse",
    "cable": "cable kabel lug busbar fuse terminal sicherung",
    "fan": "fan luefter lufter ventilateur ventilador radfan coolingfan",
    "gear": "gear gang prnd shifter shift selector fahrstufe wahlhebel marche direction fwd prndl ganginfo gr rapport"
    " driveselector gearposition gearselector prnds gangwahl",
    "odometer": "odometer odo mileage kilometerstand tachokilometer kilometrage totaldistance odometre kmstand"
    " totaldistance gesamtkilometer wegstreckenzaehler odm kilometer kilometers",
    "latitude": "latitude breitengrad breite gpslat lattd latd",
    "longitude": "longitude laengengrad gpslong gpslon lngtd longitud",
    "lat_abbreviation": "lat",
    "long_abbreviation": "long lon lng longit lgt lgtud longi longitudinal laengs longl lg longacc xacc ax logitudinal",
    "lateral": "lateral quer lateraly latacc ay transversal sideways side latl vertical az vert",
    "elevation": "elevation altitude alt hoehe hohe height elev hmsl",
    "heading": "heading course bearing kurs hdg cog richtung head track",
    "grade": "grade slope gradient incline inclination steigung pente pendiente neigung fahrbahnsteigung roadgrade",
    "satellite": "gps gnss gnns satellite sat nav galileo",
    "wind": "wind headwind",
    "soc": "soc stateofcharge ladezustand usoc chargelevel chargestate fuelgauge socave socmin bsoc socdisp hvsoc",
    "phase": "phase phases strang rms iph id iq isd isq uvw",
    "limit": "limit lim limits allowed allowable permissible avail available availability grenze limite grenzwert"
    " permitted lmt zulaessig max_allowed capability maxallowed prediction predicted",
    "discharging": "discharge dischg dchg dischrg discharging entladen entlade dch decharge dischrge dsch dchrg dis",
    "charging": "charge chg chrg charging laden lade charged carga charge1 chrging chargng plugged plug ladung chag",
    "regen": "regen regeneration recuperation recup rekuperation recuperative regenerative reku rgn regenbraking",
    "maximum": "max maximum highest hottest hi high mx maxi maxim maximal",
    "minimum": "min minimum lowest coldest lo low mn mini minim minimal",
    "mean": "average avg mean mittel mittelwert moyenne ave avrg mittlere",
    "total": "total tot gesamt sum summe overall main",
    "marker": "marker lap beacon event button",
    # qualities that make a signal something else than the measured quantity
    "asked": "asked request req requested rqst target tgt desired des cmd command commanded setpoint set soll sollwert"
    " demand wanted reqd wunsch reference ref anforderung anf consigne objetivo dmd rq trgt setpt soll1 sol vorgabe"
    " commd rqt setspeed control",
    "validity": "valid validity vld invalid qual quality qf qbit qualifier status stat sts state fault flt error err"
    " fail failure warning warn gueltig fehler flag "
    " accuracy confidence enable enabled disable inhibit mode toggle type unit units indication ind lamp light lampe"
    " diag diagnostic diagnose dtc code signature v_ signalqual plausible plausibility source"
    " ersatz init id number num index idx supported present request_id sta flg vd fehlerstatus vf",
    "counter": "counter cnt ctr crc checksum chksum chk csum alive heartbeat clock"
    " clk prun bz zaehler mux msgcounter rollingcounter",
    "history": "hist history historical historic historie lifetime stored previous prev recorded histdata memory",
    "fluid": "fluid fluessigkeit liquid level",
    "generator": "generator alternator lima lichtmaschine altntr gnrtr",
    "displayed": "display displayed disp dspl anzeige ui shown indicated anz dsp angezeigt angezeigte",
    "instrument": "cluster kombi hmi dash hud dashboard instrument",
    "raw": "raw roh rohwert unfiltered uncal",
    "parking": "park parking epb handbrake handbremse feststellbremse prkbrk hold",
    "derived": "initial final virtual trigger trig triggered calculated recommended"
    " gradient rate derivative change delta diff deviation error1 variance std stddev offset gain factor"
    " threshold schwelle hysteresis estimate estimated est pred model calc",
    "cruise": "cruise acc cc tempomat gra limiter speedlimit isa tsr speedlimiter setspeed asl sperrlimit",
    "steering": "steering steer lenkung lenk lenkwinkel eps stw sas lenkrad volant swa whlang strng",
    "yaw": "yaw roll pitch gyro gier nick wank gierrate",
    "object": "object obj target1 radar lead track1 tracks rel relative lane line camera cam vision sensor_object adas",
    "intake": "intake inlet_air manifold exhaust abgas turbo boost fuel kraftstoff tank injector lambda map egr dpf"
    " saugrohr ladedruck scr catalyst ansaug ekat",
    "seat": "seat sitz mirror spiegel door tuer window fenster blower geblaese washer wiper wischer horn belt gurt"
    " airbag defrost footwell vent fuss sunroof lock key trailer anhaenger",
    "evaporator": "evaporator evap verdampfer refrigerant kaeltemittel condenser kondensator vapour",
    "time": "time zeit timer hour minute second temps1 duration uhrzeit date tage stunde",
    "lamp": "lamp light lights led beam headlight",
}  # fmt: skip

_CONCEPTS_OF: Final[dict[str, frozenset[str]]] = {}


def _fill() -> None:
    gathered: dict[str, set[str]] = {}
    for concept, words in _WORDS.items():
        for word in words.split():
            gathered.setdefault(word, set()).add(concept)
    _CONCEPTS_OF.update({word: frozenset(concepts) for word, concepts in gathered.items()})


_fill()

_LONG_WORDS: Final = {
    letter: tuple(word for word in _CONCEPTS_OF if word[0] == letter and len(word) >= 6)
    for letter in {word[0] for word in _CONCEPTS_OF}
}

_SHORT: Final[dict[str, frozenset[str]]] = {
    # One or two letters mean something only beside a unit or a thing; ``matching`` weighs them low.
    "v": frozenset({"voltage", "speed"}),
    "u": frozenset({"voltage"}),
    "i": frozenset({"current"}),
    "t": frozenset({"temperature"}),
    "p": frozenset({"pressure", "power"}),
    "n": frozenset({"rotation"}),
}
_SPLIT: Final = re.compile(r"[A-Z]{2,}(?=[A-Z][a-z])|[A-Z]?[a-zäöüßéèêàçñóíáú]+|[A-Z]+|\d+[vV](?![a-z])|\d+")
_MIXED_CASE: Final = re.compile(r"SoC|DcDc|DCDc|HVAc")
_FOLD: Final = str.maketrans({"ä": "ae", "ö": "oe", "ü": "ue", "ß": "ss", "é": "e", "è": "e", "ê": "e", "à": "a",
                              "ç": "c", "ñ": "n", "ó": "o", "í": "i", "á": "a", "ú": "u"})  # fmt: skip
_PLACES: Final = frozenset(
    re.findall(
        r"\w+",
        "fl fr rl rr lf rf lr lh rh front rear left right f r l vl vr hl hr vorne hinten links rechts va ha fa ra"
        " first second primary secondary a b c d e g h",
    )
)
_LONGEST_NAME: Final = 200


@lru_cache(maxsize=65_536)
def words_of(text: str) -> tuple[str, ...]:
    """Split a name into lower-case words: at case changes, digits, and inside glued compounds."""
    words: list[str] = []
    for piece in _SPLIT.findall(_MIXED_CASE.sub(lambda found: found[0].upper(), text[:_LONGEST_NAME])):
        word = piece.lower().translate(_FOLD)
        words += _compound(word) if word not in _CONCEPTS_OF and len(word) > 5 else (word,)
    return tuple(words)


@lru_cache(maxsize=65_536)
def concepts_of(text: str) -> frozenset[str]:
    """What the words of a text speak of."""
    words = words_of(text)
    found: set[str] = set()
    start = 0
    while start < len(words):
        # "state of charge" is one thing, and says nothing of a state or of charging.
        for length in (3, 2, 1):
            glued = "".join(words[start : start + length])
            if glued in _CONCEPTS_OF:
                found |= _CONCEPTS_OF[glued]
                break
        else:
            length = 1
            found |= _CONCEPTS_OF.get(_respelled(words[start]), frozenset())
        start += length
    return frozenset(found)


@lru_cache(maxsize=65_536)
def _respelled(word: str) -> str:
    """The known long word that a misspelt one is nearest to; empty where none is near."""
    if len(word) < 7:
        return ""
    alike = [known for known in _LONG_WORDS.get(word[0], ()) if abs(len(known) - len(word)) <= 1]
    return next(iter(get_close_matches(word, alike, n=1, cutoff=0.85)), "")


def is_word(word: str) -> bool:
    """True for a word that is known here, misspelt or not, or says only which of several a thing is."""
    return word in _CONCEPTS_OF or word in _PLACES or bool(_respelled(word))


def letters_of(text: str) -> frozenset[str]:
    """What single letters of a name may stand for: v, u, i, t, p, n."""
    found: set[str] = set()
    for word in words_of(text):
        found |= _SHORT.get(word, frozenset())
    return frozenset(found)


def stem_of(text: str) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Split a name into its stem and the words that only say which of several it is.

    Returns
    -------
    stem, which : tuple of str
        ``("wheel", "speed")`` and ``("fl",)`` for ``WheelSpeed_FL``.
    """
    words = words_of(text)
    which = tuple(word for word in words if word in _PLACES or word.isdigit())
    return tuple(word for word in words if word not in _PLACES and not word.isdigit()), which


@lru_cache(maxsize=65_536)
def _compound(word: str) -> tuple[str, ...]:
    """Cut a glued word into known ones of three letters or more, leaving over a letter in seven."""
    best: tuple[int, tuple[str, ...]] = (len(word), (word,))
    states: list[tuple[int, tuple[str, ...]] | None] = [None] * (len(word) + 1)
    states[0] = (0, ())
    for start in range(len(word)):
        here = states[start]
        if here is None:
            continue
        for end in range(start + 1, len(word) + 1):
            part = word[start:end]
            is_known = len(part) >= 3 and part in _CONCEPTS_OF
            if not is_known and end - start > 2:
                continue
            missed = here[0] + (0 if is_known else end - start)
            old = states[end]
            if old is None or (missed, len(here[1])) < (old[0], len(old[1]) - 1):
                states[end] = (missed, (*here[1], part))
    last = states[len(word)]
    if last is not None and last[0] <= len(word) // 7 - (len(word) < 8):
        best = last
    return best[1]
