// What npm isoxml reads in a zipped task folder, as JSON on stdout: node THIS NODE_MODULES ZIP
'use strict'
const fs = require('fs')
const path = require('path')
const { ISOXMLManager } = require(path.join(process.argv[2], 'isoxml'))

const rings = (polygons) => (polygons || []).map((polygon) =>
  (polygon.attributes.LineString || []).map((line) => ({
    type: line.attributes.LineStringType,
    points: (line.attributes.Point || []).map((at) => [at.attributes.PointEast, at.attributes.PointNorth])
  })))

const values = (zone) => (zone.attributes.ProcessDataVariable || []).map((one) => ({
  ddi: one.attributes.ProcessDataDDI,
  value: one.attributes.ProcessDataValue,
  product: one.attributes.ProductIdRef && one.attributes.ProductIdRef.entity.attributes.ProductDesignator,
  unit: one.attributes.ValuePresentationIdRef && one.attributes.ValuePresentationIdRef.entity.attributes.UnitDesignator
}))

function gridOf (task, names) {
  const grid = (task.attributes.Grid || [])[0]
  if (!grid) return null
  const told = {
    type: grid.attributes.GridType,
    rows: grid.attributes.GridMaximumRow,
    columns: grid.attributes.GridMaximumColumn,
    bytes: Buffer.from(grid.binaryData).toString('base64')
  }
  if (grid.attributes.GridType === '2') {
    told.features = task.getGridAsGeoJSON(names).features.map((one) => ({
      values: one.properties, corner: one.geometry.coordinates[0][0], opposite: one.geometry.coordinates[0][2]
    }))
  }
  return told
}

async function main () {
  const manager = new ISOXMLManager()
  await manager.parseISOXMLFile(new Uint8Array(fs.readFileSync(process.argv[3])), 'application/zip')
  const root = manager.rootElement.attributes
  const told = {
    warnings: manager.getWarnings(),
    fields: (root.Partfield || []).map((one) => ({
      name: one.attributes.PartfieldDesignator,
      area: one.attributes.PartfieldArea,
      rings: rings(one.attributes.PolygonnonTreatmentZoneonly)
    })),
    tasks: (root.Task || []).map((task) => {
      const zones = (task.attributes.TreatmentZone || []).map((zone) => ({
        code: zone.attributes.TreatmentZoneCode,
        name: zone.attributes.TreatmentZoneDesignator,
        values: values(zone),
        rings: rings(zone.attributes.PolygonTreatmentZoneonly)
      }))
      const most = Math.max(0, ...zones.map((zone) => zone.values.length))
      return {
        name: task.attributes.TaskDesignator,
        fallbacks: [task.attributes.DefaultTreatmentZoneCode,
          task.attributes.PositionLostTreatmentZoneCode, task.attributes.OutOfFieldTreatmentZoneCode],
        zones,
        grid: gridOf(task, Array.from({ length: most }, (_, k) => `v${k}`)),
        logs: (task.attributes.TimeLog || []).map((log) => ({ ...log.parseBinaryFile(), errors: log.parsingErrors }))
      }
    })
  }
  process.stdout.write(JSON.stringify(told))
}

main().catch((error) => { console.error(error); process.exit(1) })
