"""Makes the fixtures of the published layouts: the publishers' column names, invented values.

    python tests/oracle/published_make.py fixtures/published

The names of streets and places are invented, owners are placeholders. Each file holds the traps that its publisher's
files are known for. The bytes are the same each time.
"""

import random
import sys
from pathlib import Path

STREETS = ["FELDSPAR", "MICA", "OLIVINE", "JASPER", "BASALT", "PYRITE", "GNEISS", "SHALE"]
OWNER = "OWNER LEFT OUT"


def cell(text, sep):
    text = str(text)
    return '"' + text.replace('"', '""') + '"' if any(c in text for c in (sep, '"', "\n")) else text


def write(path, header, rows, sep=",", encoding="utf-8", end="\n", quoted=True, with_header=True):
    """Rows are dicts by column, lists, or whole lines."""
    lines = [sep.join(header)] if with_header else []
    for row in rows:
        if isinstance(row, dict):
            row = [row.get(name, "") for name in header]
        if isinstance(row, list):
            row = sep.join(cell(text, sep) if quoted else str(text) for text in row)
        lines.append(row)
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes((end.join(lines) + end).encode(encoding))


def king(folder, chance):
    header = """Major Minor BldgNbr NbrLivingUnits Address BuildingNumber Fraction DirectionPrefix StreetName StreetType
        DirectionSuffix ZipCode Stories BldgGrade BldgGradeVar SqFt1stFloor SqFtHalfFloor SqFt2ndFloor SqFtUpperFloor
        SqFtUnfinFull SqFtUnfinHalf SqFtTotLiving SqFtTotBasement SqFtFinBasement FinBasementGrade SqFtGarageBasement
        SqFtGarageAttached DaylightBasement SqFtOpenPorch SqFtEnclosedPorch SqFtDeck HeatSystem HeatSource BrickStone
        ViewUtilization Bedrooms BathHalfCount Bath3qtrCount BathFullCount FpSingleStory FpMultiStory FpFreestanding
        FpAdditional YrBuilt YrRenovated PcntComplete Obsolescence PcntNetCondition Condition AddnlCost""".split()
    rows, parcels, accounts = [], [], []
    for at in range(26):
        major, minor = f"{92500 + at // 4:06d}", f"{10 * (at % 4 + 1):04d}"
        for building in range(1, 3 if at in (3, 9) else 2):
            first, half, second, basement = (10 * chance.randint(60, 160), 10 * (at % 5 == 0) * 40,
                                             10 * (at % 3 == 1) * 70, 10 * (at % 4 == 2) * 55)
            rows.append({
                "Major": major, "Minor": minor, "BldgNbr": building, "NbrLivingUnits": 1 + (at == 5),
                "Address": f"{100 + at} {STREETS[at % 8]} ST", "BuildingNumber": f"{100 + at:05d}" if at != 7 else "0",
                "Fraction": "1/2" if at == 6 else "", "DirectionPrefix": "SW" if at % 2 else "  ",
                "StreetName": STREETS[at % 8] + "       ", "StreetType": "ST  ", "DirectionSuffix": "N" if at == 8 else "",
                "ZipCode": "98000", "Stories": "1.5" if half else "2" if second else "1", "BldgGrade": 7,
                "SqFt1stFloor": first, "SqFtHalfFloor": half, "SqFt2ndFloor": second, "SqFtUpperFloor": 0,
                "SqFtTotLiving": first + half + second + basement + 10 * (at == 12),
                "SqFtTotBasement": basement + 200 if basement else 0, "SqFtFinBasement": basement,
                "SqFtGarageBasement": 0, "SqFtGarageAttached": 400 if at % 2 else 0, "SqFtOpenPorch": 60,
                "SqFtEnclosedPorch": 0, "SqFtDeck": 120 if at % 3 else 0, "YrBuilt": 1920 + 3 * at, "YrRenovated": 0,
                "PcntComplete": 0, "Condition": 3 + at % 3,
            })
        parcels.append({"Major": major, "Minor": minor, "PropName": "", "PresentUse": "2" if at % 6 else "29",
                        "SqFtLot": 5000 + 100 * at, "LevyCode": "0010"})
        accounts.append({"AcctNbr": f"{major}{minor}01", "Major": major, "Minor": minor, "AttnLine": OWNER,
                         "LevyCode": "0010", "TaxStat": "T", "BillYr": 2026, "ApprLandVal": 150000 + at,
                         "ApprImpsVal": 250000, "TaxableLandVal": 150000, "TaxableImpsVal": 250000})
    accounts.append({**accounts[4], "AcctNbr": accounts[4]["AcctNbr"][:-1] + "2", "ApprLandVal": 0, "ApprImpsVal": 9000,
                     "TaxStat": "X"})
    rows[0]["Major"], rows[0]["Minor"] = "92500", "10"  # leading zeros lost
    rows[2]["YrBuilt"] = 1
    rows[3]["SqFtTotLiving"] = 0
    rows[13]["SqFt1stFloor"] = "see card"
    rows[14]["StreetName"] = "CAFÉ"
    rows.insert(9, ",".join(header))  # files put together from several
    rows.append(dict(rows[5]))  # a true copy
    rows.append({**rows[6], "SqFtTotLiving": 9990})  # a contradiction
    rows.append({**rows[7], "Major": "", "Minor": "10"})
    write(folder / "EXTR_ResBldg.csv", header, rows, encoding="cp1252", end="\r\n")
    parcels.append({"Major": "999999", "Minor": "0001", "PresentUse": "101", "SqFtLot": 1, "LevyCode": "0020"})
    chance.shuffle(parcels)
    write(folder / "EXTR_Parcel.csv", "Major Minor PropName PresentUse SqFtLot LevyCode".split(), parcels,
          encoding="cp1252")
    write(folder / "EXTR_RPAcct_NoName.csv", """AcctNbr Major Minor AttnLine LevyCode TaxStat BillYr ApprLandVal
        ApprImpsVal TaxableLandVal TaxableImpsVal""".split(), accounts, encoding="cp1252")


def cook(folder, chance):
    header = """pin tax_year card_num class township_code proration_key_pin pin_proration_rate card_proration_rate cdu
        pin_is_multicard pin_num_cards pin_is_multiland pin_num_landlines year_built building_sqft land_sqft num_bedrooms
        num_rooms num_full_baths num_half_baths num_fireplaces type_of_residence construction_quality num_apartments
        attic_finish garage_attached garage_area_included garage_size garage_ext_wall_material attic_type basement_type
        ext_wall_material central_heating repair_condition basement_finish roof_material single_v_multi_family
        site_desirability num_commercial_units renovation porch central_air design_plan row_id""".split()
    rows, addresses, values = [], [], []
    for at in range(18):
        pin = f"{1010100010000 + 10000 * at}"  # 13 digits: the first zero is lost
        for year in (2023, 2024):
            if at == 4 and year == 2024:
                continue  # gone since
            for card in (1, 2) if at in (2, 11) else (1,):
                area = 900 + 37 * at + (200 if year == 2024 and at == 6 else 0)
                rows.append({
                    "pin": pin, "tax_year": year, "card_num": card, "class": "203" if card == 1 else "299",
                    "township_code": 10 + at % 3, "proration_key_pin": "1010100010000" if at == 7 else "",
                    "pin_proration_rate": "1.0", "card_proration_rate": "0.5" if at == 7 else "1.0",
                    "pin_is_multicard": str(at in (2, 11)).lower(), "pin_num_cards": 2 if at in (2, 11) else 1,
                    "year_built": 1900 + 5 * at, "building_sqft": area if at != 9 else 0, "land_sqft": 3000 + at,
                    "type_of_residence": ["1 Story", "2 Story", "1.5 Story", "Split Level"][at % 4],
                    "garage_area_included": "No", "basement_finish": "Unfinished", "attic_finish": "None",
                    "row_id": f"{pin}{card}{year}",
                })
            addresses.append({"pin": pin, "pin10": pin[:9], "tax_year": year,
                              "property_address": f"{200 + at} W {STREETS[at % 8]} AVE", "property_city": "MICA FALLS",
                              "property_state": "IL", "property_zip": "60000-1234", "mailing_name": OWNER,
                              "mailing_address": OWNER, "row_id": f"{pin}{year}"})
            values.append({"pin": pin, "tax_year": year, "class": "203", "mailed_tot": 10000 + at,
                           "certified_tot": 11000 + at if at % 2 else "",
                           "board_tot": 12000 + at if at % 4 == 3 and year == 2023 else ""})
    rows.append({**rows[0], "pin": "1.0101E+12"})
    rows.append({**rows[1], "building_sqft": "1,284"})  # no separator is declared
    rows.append(dict(rows[3]))
    values.append({"pin": "9999999999999", "tax_year": 2024, "class": "517", "mailed_tot": 1})
    chance.shuffle(rows)
    write(folder / "Assessor_-_Single_and_Multi-Family_Improvement_Characteristics.csv", header, rows)
    write(folder / "Assessor_-_Parcel_Addresses.csv", """pin pin10 tax_year property_address property_city property_state
        property_zip mailing_name mailing_address mailing_city mailing_state mailing_zip row_id""".split(), addresses)
    write(folder / "Assessor_-_Assessed_Values.csv", """pin tax_year class township_code township_name neighborhood_code
        mailed_bldg mailed_land mailed_tot mailed_hie certified_bldg certified_land certified_tot certified_hie
        board_bldg board_land board_tot board_hie row_id""".split(), values)


def pluto(folder, chance):
    header = """borough block lot cd schooldist zipcode address bldgclass landuse ownertype ownername lotarea bldgarea
        comarea resarea garagearea areasource numbldgs numfloors unitsres unitstotal yearbuilt assessland assesstot
        exempttot borocode bbl""".split()
    rows = []
    for at in range(24):
        boro, block, lot = at % 5 + 1, 77 + 31 * at, at + 12 if at % 7 else 7501
        area, source = 1200 + 130 * at, ["2", "7", "2", "5"][at % 4]
        number = f"{30 + at}-{10 + at}" if boro == 4 else f"{300 + at}"
        rows.append({
            "borough": ["MN", "BX", "BK", "QN", "SI"][boro - 1], "block": block, "lot": lot, "schooldist": f"{at % 30 + 1:02d}",
            "zipcode": "10000", "address": f"{number} {STREETS[at % 8]} STREET", "bldgclass": "A1" if at % 6 else "V1",
            "ownername": OWNER, "lotarea": 2000 + at, "bldgarea": area if at % 6 else 0, "resarea": area if at % 2 else 0,
            "garagearea": 0, "areasource": source if at % 6 else "0", "numbldgs": 1 if at % 6 else 0,
            "numfloors": "2.00" if at % 6 else "0", "unitsres": 1, "yearbuilt": 1900 + 4 * at if at % 6 else 0,
            "assesstot": 40000 + 100 * at, "exempttot": 1420 if at % 3 else 0, "borocode": boro,
            "bbl": f"{boro}{block:05d}{lot:04d}.00000000",
        })
    rows[5]["address"] = "305 SHALE STREET, REAR"
    rows[8]["bldgarea"] = -1
    rows[10]["bldgarea"] = ""
    lines = [",".join(cell(row.get(name, ""), ",") for name in header) for row in rows]
    lines.insert(7, lines[6].replace("STREET", "STREET,", 1))  # one field too many
    lines.append(lines[3])
    chance.shuffle(lines)
    write(folder / "pluto.csv", header, lines, end="\r\n")


def nal(folder, chance):
    header = """CO_NO PARCEL_ID FILE_T ASMNT_YR BAS_STRT ATV_STRT GRP_NO DOR_UC PA_UC JV AV_SD AV_NSD TV_SD TV_NSD LND_VAL
        LND_UNTS_CD NO_LND_UNTS LND_SQFOOT DT_LAST_INSPT IMP_QUAL CONST_CLASS EFF_YR_BLT ACT_YR_BLT TOT_LVG_AREA NO_BULDNG
        NO_RES_UNTS OWN_NAME OWN_ADDR1 OWN_CITY OWN_STATE OWN_ZIPCD S_LEGAL PHY_ADDR1 PHY_CITY PHY_ZIPCD TAX_AUTH_CD
        SEQ_NO""".split()
    rows = []
    for at in range(25):
        vacant = at % 5 == 0
        rows.append({
            "CO_NO": 63, "PARCEL_ID": f"04-02-17-{at:04d}-{'A' if at == 3 else '0'}", "FILE_T": "R", "ASMNT_YR": 2025,
            "DOR_UC": "0" if vacant else ["1", "001", "002"][at % 3], "JV": 150000 + 1000 * at,
            "AV_SD": 120000 + 1000 * at if at % 4 else "", "AV_NSD": 110000 + 1000 * at, "TV_SD": 95000, "TV_NSD": 85000,
            "LND_VAL": 30000, "LND_SQFOOT": 43560 if at % 3 else 0, "DT_LAST_INSPT": "0315",
            "EFF_YR_BLT": 0 if vacant else 2001, "ACT_YR_BLT": 0 if vacant else 1960 + 2 * at,
            "TOT_LVG_AREA": 0 if vacant else 1200 + 31 * at, "NO_BULDNG": 0 if vacant else 1, "NO_RES_UNTS": 0 if vacant else 1,
            "OWN_NAME": OWNER, "OWN_ADDR1": OWNER, "S_LEGAL": 'LOT 1 "OLD" PLAT\nBLK 2' if at == 6 else "LOT 1",
            "PHY_ADDR1": f"{at + 10} {STREETS[at % 8]} RD", "PHY_CITY": "MICA FALLS", "PHY_ZIPCD": "32000-1234",
            "TAX_AUTH_CD": "0100", "SEQ_NO": at,
        })
    rows[7]["ACT_YR_BLT"] = 9999
    rows[9]["TOT_LVG_AREA"] = ""
    rows[11]["JV"] = "PENDING"
    rows[13]["TOT_LVG_AREA"] = 12000000
    rows[16]["PARCEL_ID"] = "12-Mar"
    rows.append({**rows[4], "OWN_NAME": OWNER + " 2", "SEQ_NO": 99})  # a row an owner, the same house
    rows.append({**rows[8], "TOT_LVG_AREA": 777})
    write(folder / "NAL63F202501.csv", header, rows, end="\r\n")


def polk(folder, chance):
    buildings, parts = [], []
    for at in range(16):
        parcel = f"{23 + at % 3}2812{at:012d}"
        for building in (1, 2) if at in (1, 6) else (1,):
            buildings.append({
                "PARCEL_ID": parcel, "BLD_NUM": building, "IMPR_TYPE": "0100", "STYLE": "SFR",
                "STORIES": ["1 STORY", "TWO", "One and a half", "LOFT"][at % 4], "YEARBUILT": 1970 + at, "EFF_YEAR": 1990,
            })
            lines = [("BASE", 1200 + 20 * at, 1200 + 20 * at), ("UGR", 440, 0), ("FOP", 80, 0)]
            if at % 4 == 1:
                lines += [("FUS", 600, 600), ("FOP", 90, 0)]
            if building == 2:
                lines = [("UST", 120, 0)]
            for number, (code, actual, heated) in enumerate(lines, 1):
                parts.append({"PARCEL_ID": parcel, "BLD_NUM": f"{building:02d}" if at % 2 else building, "LN_NUM": number,
                              "SAR_CD": code, "ACT_AR": actual, "HEAT_AR": heated})
    buildings[3]["YEARBUILT"] = 0
    buildings.append({**buildings[5], "PARCEL_ID": "2.32812E+17"})
    parts.append(dict(parts[4]))  # a true copy
    parts.append({**parts[0], "HEAT_AR": 9, "ACT_AR": 9})  # the same line with other figures
    parts.append({**parts[2], "BLD_NUM": 7})  # of a building that is nowhere
    parts.append({**parts[2], "PARCEL_ID": "999999999999999999"})
    parts.append({**parts[8], "LN_NUM": 44, "ACT_AR": "n/a"})
    chance.shuffle(parts)
    write(folder / "FTP_BLD.txt", "PARCEL_ID BLD_NUM IMPR_TYPE STYLE STORIES YEARBUILT EFF_YEAR".split(), buildings)
    write(folder / "FTP_BLD_SAR.txt", "PARCEL_ID BLD_NUM LN_NUM SAR_CD ACT_AR HEAT_AR".split(), parts)


def miami(folder, chance):
    header = """FOLIO TRUE_SITE_ADDR TRUE_SITE_UNIT TRUE_SITE_CITY TRUE_SITE_ZIP_CODE TRUE_OWNER1 TRUE_OWNER2 DOR_CODE_CUR
        DOR_DESC BEDROOM_COUNT BATHROOM_COUNT FLOOR_COUNT UNIT_COUNT BUILDING_ACTUAL_AREA BUILDING_HEATED_AREA
        BUILDING_EFFECTIVE_AREA LOT_SIZE YEAR_BUILT TOTAL_VAL_CUR ASSESSED_VAL_CUR""".split()
    rows = []
    for at in range(22):
        folio = f"{13126002 + at:09d}{10 * at + 10:04d}"
        vacant = at % 7 == 6
        rows.append({
            "FOLIO": folio.lstrip("0") if at % 2 else f"{folio[:2]}-{folio[2:6]}-{folio[6:9]}-{folio[9:]}",
            "TRUE_SITE_ADDR": f"{1000 + at} NW {STREETS[at % 8]} TER", "TRUE_SITE_CITY": "Mica Falls",
            "TRUE_SITE_ZIP_CODE": "33000-0001", "TRUE_OWNER1": OWNER, "TRUE_OWNER2": OWNER,
            "DOR_CODE_CUR": "0" if vacant else "101" if at % 2 else "0101", "FLOOR_COUNT": 0 if vacant else 1,
            "UNIT_COUNT": 0 if vacant else 1, "BUILDING_ACTUAL_AREA": 0 if vacant else 1800 + 9 * at,
            "BUILDING_HEATED_AREA": 0 if vacant else 1500 + 9 * at, "BUILDING_EFFECTIVE_AREA": 0 if vacant else 1600 + 9 * at,
            "LOT_SIZE": "7500.50" if at % 3 else "0", "YEAR_BUILT": 0 if vacant else 1950 + at,
            "TOTAL_VAL_CUR": 300000 + at, "ASSESSED_VAL_CUR": 200000 + at,
        })
    rows[4]["BUILDING_HEATED_AREA"] = "1500 SF"
    rows[5]["YEAR_BUILT"] = 9999
    rows[9]["FOLIO"] = "0"
    rows.append(dict(rows[2]))
    write(folder / "PaGISView.csv", header, rows, encoding="utf-8-sig")


def harris(folder, chance):
    accounts, buildings, fixtures = [], [], []
    heads = (Path(__file__).parents[2] / "roll/src/layout/published/us_tx_201_harris.toml").read_text()
    import tomllib

    tables = {table["name"]: table["columns"] for table in tomllib.loads(heads)["table"]}
    for at in range(16):
        acct = f"{21440000001 + at:013d}"
        accounts.append({"acct": acct + "  ", "yr": 2026, "mailto": OWNER, "mail_addr_1": OWNER, "site_addr_1":
                         f"{400 + at} {STREETS[at % 8]} DR", "site_addr_2": "MICA FALLS", "site_addr_3": "77000",
                         "state_class": "A1" if at % 5 else "C1", "school_dist": "001", "land_ar": 6000 + at,
                         "tot_appr_val": 250000 + at, "tot_mkt_val": 260000 + at, "rev_dt": "03/15/2025" if at % 3 else "soon",
                         "lgl_1": 'LT 5 6" PIPE ESMT', "jurs": "040 041"})
        for building in (() if at % 5 == 0 else (1, 2) if at in (3, 7) else (1,)):
            heated = 1400 + 25 * at if building == 1 else 500
            buildings.append({"acct": acct, "property_use_cd": "A1", "bld_num": building, "structure_dscr": 'ResI 1" F&B',
                              "qa_cd": "C", "date_erected": 1960 + at, "yr_remodel": 0, "im_sq_ft": heated,
                              "heat_ar": heated, "gross_ar": heated + 400, "eff_ar": heated + 90, "base_ar": heated // 2,
                              "act_ar": heated + 300, "perimeter": 180})
            fixtures.append({"acct": acct, "bld_num": building, "type": "STY", "type_dscr": "Story Height Index",
                             "units": "2.00" if at % 2 else "1.00"})
            fixtures.append({"acct": acct, "bld_num": building, "type": "RMB", "type_dscr": "Room:  Bedroom", "units": "3.00"})
    buildings[2]["heat_ar"] = "1,475"
    fixtures.append({"acct": "0000000000009", "bld_num": 1, "type": "STY", "units": "1.00"})
    accounts.append({**accounts[1], "mailto": OWNER + " AGAIN"})
    options = {"sep": "\t", "encoding": "cp1252", "end": "\r\n", "quoted": False}
    write(folder / "real_acct.txt", tables["accounts"], accounts, with_header=False, **options)
    write(folder / "building_res.txt", tables["buildings"], buildings, **options)  # newer files have a header
    write(folder / "fixtures.txt", tables["fixtures"], fixtures, with_header=False, **options)


def denver(folder, chance):
    header = """PIN SCHEDNUM CD OFCARD OWNER CO_OWNER OWNER_NUM SITE_NBR SITE_DIR SITE_NAME SITE_MODE SITE_MORE TAX_DIST
        PROP_CLASS PROPERTY_CLASS ZONE10 D_CLASS_CN LAND_SQFT AREA_ABG BSMT_AREA FBSMT_SQFT GRD_AREA STORY STYLE_CN BED_RMS
        FULL_B HLF_B CCYRBLT CCAGE_RM UNITS ASMT_APPR_LAND TOTAL_VALUE ASDLAND ASSESS_VALUE ASMT_TAXABLE ASMT_EXEMPT_AMT
        NBHD_1 NBHD_1_CN LEGL_DESCRIPTION""".split()
    rows = []
    for at in range(22):
        number = f"{229227041000 + 1000 * at:013d}"
        for card in (1, 2) if at in (4, 10) else (1,):
            rows.append({
                "PIN": 160000000 + at, "SCHEDNUM": f"{number[:5]}-{number[5:7]}-{number[7:10]}-{number[10:]}" if at % 3 else
                number.lstrip("0"), "CD": card, "OFCARD": 2 if at in (4, 10) else 1, "OWNER": f"{OWNER}, & CO", "SITE_NBR": 700 + at if at != 5 else 0,
                "SITE_DIR": "N" if at % 2 else "", "SITE_NAME": STREETS[at % 8], "SITE_MODE": "ST", "TAX_DIST": "DENV",
                "D_CLASS_CN": "SFR Grade C", "LAND_SQFT": 6250, "AREA_ABG": 900 + 40 * at, "BSMT_AREA": 600 if at % 2 else 0,
                "FBSMT_SQFT": 450 if at % 4 == 1 else 0, "GRD_AREA": 0, "STORY": "1.5" if at % 2 else "1", "STYLE_CN": "ONE STORY",
                "CCYRBLT": 1910 + at + 20 * (card == 2), "CCAGE_RM": 0, "UNITS": 1,
                "TOTAL_VALUE": f"{400 + at},500" if at % 2 else f"{400 + at}500", "ASSESS_VALUE": "28,035", "ASMT_EXEMPT_AMT": 0,
                "LEGL_DESCRIPTION": "L 1, BLK 2",
            })
    rows[6]["AREA_ABG"] = 0
    rows[8]["AREA_ABG"] = "N/A"
    rows.append({**rows[12], "AREA_ABG": 5})
    write(folder / "real_property_residential_characteristics.csv", header, rows)


def allegheny(folder, chance):
    header = """PARID PROPERTYHOUSENUM PROPERTYFRACTION PROPERTYADDRESS PROPERTYCITY PROPERTYSTATE PROPERTYUNIT PROPERTYZIP
        MUNICODE MUNIDESC SCHOOLCODE NEIGHCODE TAXCODE OWNERCODE USECODE USEDESC LOTAREA HOMESTEADFLAG COUNTYBUILDING
        COUNTYLAND COUNTYTOTAL FAIRMARKETBUILDING FAIRMARKETLAND FAIRMARKETTOTAL STYLE STORIES YEARBLT EXTERIORFINISH
        BASEMENT GRADE CONDITION TOTALROOMS BEDROOMS BSMTGARAGE FINISHEDLIVINGAREA CARDNUMBER TAXYEAR ASOFDATE""".split()
    rows = []
    for at in range(24):
        vacant = at % 8 == 7
        rows.append({
            "PARID": f"{23 + at:04d}{'SMR'[at % 3]}{162 + at:05d}000000", "PROPERTYHOUSENUM": "0" if at == 2 else "" if at == 3 else 500 + at,
            "PROPERTYFRACTION": {4: "1/2", 5: "-73", 6: "A"}.get(at, " "), "PROPERTYADDRESS": f"{STREETS[at % 8]} ST",
            "PROPERTYUNIT": "UNIT 2" if at == 9 else "", "PROPERTYZIP": "15000", "MUNIDESC": "Mica Falls Borough",
            "USECODE": "100" if vacant else "010", "LOTAREA": 5000, "COUNTYTOTAL": 90000 + at, "FAIRMARKETTOTAL": 108000 + at,
            "STORIES": "" if vacant else ["1.0", "1.5", "2"][at % 3], "YEARBLT": "" if vacant else 1900 + at,
            "BASEMENT": "" if vacant else 5 if at % 2 else 1, "BSMTGARAGE": "" if vacant else 1 if at % 2 else "",
            "FINISHEDLIVINGAREA": 0 if vacant else 1100 + 17 * at, "CARDNUMBER": 1, "TAXYEAR": 2026, "ASOFDATE": "01-03-2026",
        })
    rows[10]["FINISHEDLIVINGAREA"] = "1287 approx"
    rows[11]["YEARBLT"] = "c. 1911"
    rows[12]["PARID"] = "0035-S-00174-0000-00"
    rows[13]["PARID"] = rows[13]["PARID"].lower()
    rows[14]["PARID"] = "23S00162000000"
    rows.append({**rows[0], "ASOFDATE": "01-04-2026"})  # exported again
    write(folder / "assessments.csv", header, rows, end="\r\n")


def philadelphia(folder, chance):
    header = """objectid assessment_date basements building_code_description category_code category_code_description
        exempt_building exempt_land garage_spaces geographic_ward house_number location mailing_street market_value
        number_of_bedrooms number_stories owner_1 owner_2 parcel_number street_designation street_direction street_name
        taxable_building taxable_land total_area total_livable_area unit year_built year_built_estimate zip_code""".split()
    rows = []
    for at in range(24):
        vacant = at % 8 == 5
        rows.append({
            "objectid": at, "basements": "" if vacant else "ABCDEFGH0"[at % 9], "building_code_description": "ROW 2 STY MASONRY, OTHER",
            "category_code": "6  " if vacant else "1  " if at % 2 else "01", "exempt_building": 80000, "exempt_land": 0,
            "geographic_ward": f"{at + 1:02d}", "house_number": 800 + at, "location": f"{800 + at} {STREETS[at % 8]} ST, REAR" if at == 4
            else f"{800 + at} {STREETS[at % 8]} ST", "market_value": 210000 + at, "number_stories": 0 if vacant else 2,
            "owner_1": f"{OWNER}, ET AL", "owner_2": OWNER, "parcel_number": f"{11000100 + at:09d}" if at % 3 else f"{11000100 + at}",
            "taxable_building": 90000, "taxable_land": "40000.00", "total_area": "1104.50", "total_livable_area": 0 if vacant else 1000 + 12 * at,
            "unit": "3" if at == 7 else "", "year_built": "0000" if vacant else f"{1900 + at}", "year_built_estimate": "Y" if at % 2 else "",
            "zip_code": "191230000",
        })
    rows[9]["year_built"] = "196Y"
    rows[10]["year_built"] = "197?"
    rows[12]["total_livable_area"] = "12 48"
    rows.append({**rows[3], "owner_1": OWNER})
    write(folder / "opa_properties_public.csv", header, rows)


def washington(folder, chance):
    header = """OBJECTID SSL BATHRM HF_BATHRM HEAT AC NUM_UNITS ROOMS BEDRM AYB YR_RMDL EYB STORIES SALEDATE PRICE QUALIFIED
        SALE_NUM GBA BLDG_NUM STYLE STRUCT GRADE CNDTN EXTWALL ROOF INTWALL KITCHENS FIREPLACES USECODE LANDAREA
        GIS_LAST_MOD_DTTM""".split()
    rows = []
    for at in range(22):
        for building in (1, 2) if at in (5, 12) else (1,):
            rows.append({
                "OBJECTID": 1000 + at, "SSL": f"{100 + at:04d}    {800 + at:04d}" if at != 3 else "PAR 01230045", "NUM_UNITS": 1,
                "AYB": 1910 + at if at != 6 else 0, "YR_RMDL": "" if at % 2 else 2005, "EYB": 1960, "STORIES": "2.25" if at % 2 else 2,
                "SALEDATE": "2014-03-05T00:00:00.000Z" if at % 3 else "1900-01-01T00:00:00.000Z", "GBA": 1300 + 21 * at if building == 1 else 350,
                "BLDG_NUM": building, "STYLE": "2 Story", "USECODE": 11 if at % 2 else "011", "LANDAREA": 1500 + at,
            })
    rows[8]["GBA"] = 0
    rows.append(dict(rows[1]))
    rows.append({**rows[2], "GBA": 4444})
    write(folder / "Computer_Assisted_Mass_Appraisal_Residential.csv", header, rows)


LAYOUTS = {
    "us-wa-033-king": king, "us-il-031-cook": cook, "us-ny-new-york-city-pluto": pluto, "us-fl-dor-nal": nal,
    "us-fl-105-polk": polk, "us-fl-086-miami-dade": miami, "us-tx-201-harris": harris, "us-co-031-denver": denver,
    "us-pa-003-allegheny": allegheny, "us-pa-101-philadelphia": philadelphia, "us-dc-001-washington": washington,
}

if __name__ == "__main__":
    for name, make in LAYOUTS.items():
        make(Path(sys.argv[1]) / name, random.Random(name))
