"""Word lists of the guard against patient identity. Common practice, no source: set to catch what people export."""

from __future__ import annotations


def _words(text: str) -> frozenset[str]:
    return frozenset(text.split())


HEADER_PHRASES = _words(
    """
    mrn mr_no mrno urn nhs nhs_number nhs_no nhi ssn sin dob d_o_b doa birth birthday birthdate
    birth_date date_birth date_of_birth born patient patient_id patientid patient_no patient_number
    patient_name patientname patient_ref pat_id pid subject_name medical_record
    medical_record_number record record_no record_number chart_number chart_no hospital_number
    hospital_no hospital_id case_number admission_number encounter encounter_id encounter_number
    visit_id visit_number account account_number csn har social_security social_security_number
    national_id national_insurance insurance_number passport address home_address street postcode
    post_code zip zip_code zipcode phone telephone mobile cell phone_number telephone_number
    contact_number fax email e_mail mail surname forename initials first_name firstname last_name
    lastname given_name family_name full_name fullname middle_name maiden_name mother mothers_name
    mother_name father fathers_name father_name parent parents guardian next_of_kin nok baby_name
    babys_name child_name childs_name twin_name vorname nachname geburtsdatum adresse nombre
    apellido apellidos fecha_nacimiento fecha_de_nacimiento nom prenom prénom date_naissance
    date_de_naissance cognome nome data_di_nascita yob year_of_birth birth_year patientenname geburtstag fallnummer
    paciente historia_clinica pesel imie imię nazwisko pacjent bsn paziente codice_fiscale prontuario cpf personnummer
    """
)
"""Column headers that say the column holds an identity, lower case, words joined by "_"."""

HEADER_PARTS = _words(
    """
    mrn dob ssn surname forename birthdate birthday passport postcode nhs phone telephone mobile email
    guardian firstname lastname
    """
)
"""One of these among the words of a header is enough."""

NAME_HEADERS = _words(
    """
    name names
    """
)
"""A person's name in a table about airways; an item's or a unit's name elsewhere."""

GIVEN_NAMES = _words(
    """
    aaron adam ahmed aisha alan albert alexander alice amanda amelia amy ana andrea andrew angela
    anna anne anthony antonio arthur ava barbara benjamin brian carlos carol caroline catherine
    charles charlotte chloe christine christopher daniel david deborah diana diego donna dorothy
    edward elena elizabeth ella ellen emily emma eric ethan eva fatima francesca francis frank
    gabriel george giulia hannah harry heather helen henry ibrahim isaac isabella jack jacob james
    jane janet jason jean jennifer jessica joan john jonathan jose joseph joshua juan julia karen
    katherine kevin laura lauren leah liam linda lisa louise lucas lucy luis luke madison margaret
    maria marie martin mary matthew megan mei mia michael michelle mohamed mohammed muhammad nancy
    natalie nathan nicholas nicole noah nora oliver olivia omar pamela patricia paul paula pedro
    peter philip priya rachel raj ravi rebecca richard robert rosa ruth ryan samuel sandra sara
    sarah scott sharon simon sofia sophia sophie stefan stephen steven susan teresa thomas timothy
    valentina victoria vikram walter wei william xavier yusuf zainab zoe
    """
)
"""Common given names of several languages: they tell a header or a lower-case value that names someone."""

TRADE_WORDS = _words(
    """
    airway airways bed bay cot crib room ward unit pod side north south east west wing tube oral
    nasal trolley incubator station level floor left right upper lower lip tape piece pieces strip
    barrier none and with the of for to in no not yes new old two one three four five six a b c d e
    h y loose soiled skin moved changed planned unplanned removal other wet dry dressing gauze mask
    bag check change re secure secured secretions saliva leak day night shift early late morning
    evening method technique style protocol hospital clinic centre center institute saint st childrens
    ambulance evening date time stay size notes comment redo spare clean total anon alpha bravo charlie delta
    echo foxtrot golf hotel india juliet kilo lima mike november oscar papa quebec romeo sierra
    tango uniform victor whiskey xray yankee zulu red blue green yellow orange purple white black
    pink grey gray brown unknown saline ampoule wipe wipes glove gloves swab swabs syringe suction catheter pad pads
    sterile adhesive remover silicone hydrocolloid sponge roll rolls sheet small medium large infant adult child
    paediatric pediatric neonatal newborn box pack face prep film foam cotton silk cloth paper plastic water solution
    """
)
"""A text with one of these words names a place or a thing, not a person."""
