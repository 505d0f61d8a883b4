"""The record as HL7 FHIR R4 resources: rows that were read before in, plain dicts out.

sheet.py knows ids and codes; one module for each group of resources maps rows; reading.py reads
them; bundle.py writes the whole.
"""
